"""A second model of motor and supply, written from the equations alone, for a general-purpose integrator.

Shares no code and no formulation with sim/plant: phase currents (wye) or branch currents (delta) are
integrated by scipy's RK45 (order 5(4), Dormand and Prince, J. Comp. Appl. Math. 6, 1980); the switches are in
`reference_bridge`.
Equations: Pillay and Krishnan, IEEE Trans. IA 25(2), 1989, part II (from memory): v = R i + L di/dt + e,
torque = sum of e i over speed; Kirchhoff's laws at the terminals. The shared assumption is that a diode path
has the switch's resistance besides its drop, see sim/plant/circuit.py.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

State = NDArray[np.float64]
OMEGA, ANGLE, SUPPLY, SQUARE, BUS, COPPER = 3, 4, 5, 6, 7, 8
"""Places in the state after the three currents: speed, electrical angle from phase A's zero crossing, supply
energy, i^2 t, voltage at the bridge, heat of the coils."""
WIDTH = 9

SIXTH = math.pi / 3.0
FIRST_STEP_ANGLE = math.pi / 6.0
End = tuple[int, float] | None
"""What holds a terminal: a rail (1 upper, 0 lower) and a drop beyond it [V]; None where it is open."""


def flat_top(angle: float) -> float:
    """Trapezoid with 120 degrees of flat top: a triangle wave of twice the slope, clipped."""
    turn = (angle / math.pi) % 2.0
    triangle = turn if turn < 0.5 else (1.0 - turn if turn < 1.5 else turn - 2.0)
    return min(1.0, max(-1.0, 6.0 * triangle))


def unloaded(_t: float, _omega: float) -> float:
    """Torque of no load at a time and a forward speed."""
    return 0.0


def smooth(_angle: float) -> float:
    """Torque of no detents at a mechanical angle."""
    return 0.0


@dataclass(frozen=True)
class Reference:
    """Wye-connected motor, supply and friction; the same numbers as PLANT, in their own words."""

    poles: float
    ohm: float
    switch: float
    henry: float
    ke: float
    inertia: float
    supply: float
    diode: float
    coulomb: float = 0.0
    stiction: float = 0.0
    viscous: float = 0.0
    square_law: float = 0.0
    shape: Callable[[float], float] = flat_top
    parts: tuple[float, float, float] = (1.0, 1.0, 1.0)
    ohm_parts: tuple[float, float, float] = (1.0, 1.0, 1.0)
    henry_parts: tuple[float, float, float] = (1.0, 1.0, 1.0)
    load: Callable[[float, float], float] = unloaded
    detent: Callable[[float], float] = smooth
    supply_ohm: float = 0.0
    bulk_F: float = 0.0
    memo: list[Any] = field(default_factory=lambda: [math.nan, []], compare=False)
    """The angle last asked for and the shapes there: half of the solver's time would go into them."""

    def start(self, degrees: float, omega: float = 0.0) -> State:
        """State at rest, or turning, `degrees` after the angle where step 0 begins."""
        y = np.zeros(WIDTH)
        y[OMEGA], y[ANGLE], y[BUS] = omega, FIRST_STEP_ANGLE + math.radians(degrees), self.supply
        return y

    lead: ClassVar[float] = 0.0

    def shapes(self, angle: float) -> list[float]:
        """Back-EMF of the coils over ke and speed."""
        if self.memo[0] != angle:
            at, shape, parts = angle + self.lead, self.shape, self.parts
            lags = (0.0, 2.0 * SIXTH, 4.0 * SIXTH)
            self.memo[:] = angle, [parts[k] * shape(at - lags[k]) for k in range(3)]
        shapes: list[float] = self.memo[1]
        return shapes

    def emf(self, y: State) -> list[float]:
        """Back-EMF of the coils."""
        speed = self.ke * float(y[OMEGA])
        return [speed * f for f in self.shapes(float(y[ANGLE]))]

    def torque(self, y: State) -> float:
        """Torque of currents and detents."""
        f, i = self.shapes(float(y[ANGLE])), y[:3].tolist()
        return self.ke * (f[0] * i[0] + f[1] * i[1] + f[2] * i[2]) + self.detent(float(y[ANGLE]) / self.poles)

    def line(self, y: State) -> list[float]:
        """Currents into the terminals."""
        return list(y[:3].tolist())

    def without_line(self, y: State, leg: int) -> None:
        """Take what rounding left of the current of an open terminal out of the state."""
        rest = y[leg]
        y[:3] = [0.0 if k == leg else i + rest * (i != 0.0) / 2.0 for k, i in enumerate(y[:3])]

    def held_V(self, ends: list[End], y: State) -> list[float | None]:
        """Voltages that rails and diodes hold terminals at, before the switch's resistance."""
        bus = float(y[BUS])
        return [None if end is None else bus * end[0] + end[1] for end in ends]

    def _across(self, y: State) -> list[float]:
        """What back-EMF and resistance of the coils take of their voltages."""
        return [
            e + self.ohm * part * i
            for e, part, i in zip(self.emf(y), self.ohm_parts, y[:3].tolist(), strict=True)
        ]

    def _star(self, volts: list[float | None], y: State) -> float:
        """Star-point voltage: the value at which the conducting branches' currents keep their sum of zero,
        sum of (v - star - switch i - R i - e) / L = 0."""
        across = self._across(y)
        held = [
            ((v - self.switch * i - u) / part, 1.0 / part)
            for v, i, u, part in zip(volts, y[:3].tolist(), across, self.henry_parts, strict=True)
            if v is not None
        ]
        if held:
            return sum(rate for rate, _ in held) / sum(weight for _, weight in held)
        return 0.5 * (float(y[BUS]) - max(across) - min(across))

    def open_V(self, ends: list[End], y: State, leg: int) -> float:
        """Voltage of the open terminal `leg`."""
        return self._star(self.held_V(ends, y), y) + self.emf(y)[leg]

    def current_rates(self, ends: list[End], y: State) -> list[float]:
        """Derivatives of the three currents."""
        volts, across = self.held_V(ends, y), self._across(y)
        if volts.count(None) > 1:
            return [0.0, 0.0, 0.0]
        star = self._star(volts, y)
        return [
            0.0 if v is None else (v - star - self.switch * i - u) / (self.henry * part)
            for v, u, i, part in zip(volts, across, y[:3].tolist(), self.henry_parts, strict=True)
        ]

    def rates(self, ends: list[End], held: bool, t: float, y: State) -> list[float]:
        """Derivative of the state; `held` while stiction holds the rotor."""
        omega = float(y[OMEGA])
        drag = self.coulomb + self.viscous * omega + self.square_law * omega * omega + self.load(t, omega)
        alpha = 0.0 if held else (self.torque(y) - drag) / self.inertia
        bridge = sum(i for end, i in zip(ends, self.line(y), strict=True) if end is not None and end[0])
        power, bus = y[BUS] * bridge, 0.0
        if self.supply_ohm > 0.0:
            through = (self.supply - y[BUS]) / self.supply_ohm
            power, bus = self.supply * through, (through - bridge) / self.bulk_F
        currents = self.current_rates(ends, y)
        squares = y[:3] * y[:3]
        copper = self.ohm * float(np.dot(squares, self.ohm_parts))
        return [*currents, alpha, self.poles * omega, power, float(squares.sum()), bus, copper]


class DeltaReference(Reference):
    """Delta: coil k lies between terminals k and k + 1, its current is y[k]; `shapes` are those of the coils.

    The angle is counted so that step 0 still begins 30 degrees after its zero: coil 0 leads by 30 degrees
    what a star with the same line voltages would have at terminal 0.
    """

    lead = 0.5 * SIXTH

    def line(self, y: State) -> list[float]:
        i = y[:3].tolist()
        return [i[k] - i[k - 1] for k in range(3)]

    def without_line(self, y: State, leg: int) -> None:
        before = (leg + 2) % 3
        rest = y[leg] - y[before]
        y[leg] -= 0.5 * rest
        y[before] += 0.5 * rest

    def _terminals(self, ends: list[End], y: State) -> list[float]:
        """Terminal voltages: held behind the switch's resistance, or such that no current begins to flow."""
        across, line = self._across(y), self.line(y)
        matrix, right = np.zeros((3, 3)), np.zeros(3)
        for k, volts in enumerate(self.held_V(ends, y)):
            if volts is not None:
                matrix[k, k], right[k] = 1.0, volts - self.switch * line[k]
            else:  # the coils before and behind it keep the same current
                before, behind = 1.0 / self.henry_parts[k - 1], 1.0 / self.henry_parts[k]
                matrix[k, k - 1], matrix[k, k], matrix[k, (k + 1) % 3] = -before, before + behind, -behind
                right[k] = behind * across[k] - before * across[k - 1]
        if all(end is None for end in ends):
            matrix[0], right[0] = [1.0, 0.0, 0.0], 0.0
        volts = np.linalg.solve(matrix, right)
        if all(end is None for end in ends):
            volts += 0.5 * (y[BUS] - volts.max() - volts.min())
        return [float(v) for v in volts]

    def open_V(self, ends: list[End], y: State, leg: int) -> float:
        return self._terminals(ends, y)[leg]

    def current_rates(self, ends: list[End], y: State) -> list[float]:
        if sum(end is None for end in ends) == 2:
            ends = [None, None, None]  # one terminal alone carries nothing
        volts, across = self._terminals(ends, y), self._across(y)
        return [
            (volts[k] - volts[(k + 1) % 3] - across[k]) / (self.henry * self.henry_parts[k]) for k in range(3)
        ]
