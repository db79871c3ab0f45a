"""A second model of motor and bridge, written from the equations alone, for a general-purpose integrator.

Shares no code and no formulation with sim/plant: phase currents are integrated by scipy's RK45 (order 5(4),
Dormand and Prince, J. Comp. Appl. Math. 6, 1980), and every switching is a terminal event of `solve_ivp`.
Equations: Pillay and Krishnan, IEEE Trans. IA 25(2):274-279, 1989, part II (from memory): v = R i + L di/dt
    + e, torque = sum of e i over speed. The shared assumption is
that a diode path has the switch's resistance besides its drop, see sim/plant/circuit.py.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

State = NDArray[np.float64]
OMEGA, ANGLE, SUPPLY, SQUARE = 3, 4, 5, 6
"""Places in the state after the three currents: speed, electrical angle from phase A's zero crossing, supply
energy, i^2 t."""

SIXTH = math.pi / 3.0
FIRST_STEP_ANGLE = math.pi / 6.0
BARELY_A = 1e-9
"""A diode current ends this much beyond zero: at the start of its conduction it is zero, too, which is no
end."""
HIGH_THEN_LOW = ((0, 1), (0, 2), (1, 2), (1, 0), (2, 0), (2, 1))


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
    """Motor, supply and friction; the same numbers as PLANT, in their own words."""

    poles: float
    ohm: float
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
    load: Callable[[float, float], float] = unloaded
    detent: Callable[[float], float] = smooth

    def shapes(self, angle: float) -> list[float]:
        """Back-EMF of the phases over ke and speed."""
        return [self.shape(angle - lag) for lag in (0.0, 2.0 * SIXTH, 4.0 * SIXTH)]

    def torque(self, y: State) -> float:
        """Torque of currents and detents."""
        drive = self.ke * sum(f * i for f, i in zip(self.shapes(y[ANGLE]), y[:3], strict=True))
        return drive + self.detent(y[ANGLE] / self.poles)

    def star(self, volts: list[float | None], emf: list[float]) -> float:
        """Star-point voltage: the value at which the conducting branches' currents keep their sum of zero."""
        held = [v - e for v, e in zip(volts, emf, strict=True) if v is not None]
        if held:
            return sum(held) / len(held)
        return 0.5 * (self.supply - max(emf) - min(emf))

    def rates(self, volts: list[float | None], held: bool, t: float, y: State) -> list[float]:
        """Derivative of the state; `volts` is None where a terminal is open, `held` while stiction holds the
        rotor."""
        omega = y[OMEGA]
        shapes = self.shapes(y[ANGLE])
        emf = [self.ke * omega * f for f in shapes]
        star = self.star(volts, emf)
        open_ = volts.count(None)
        currents = [
            0.0 if v is None or open_ > 1 else (v - star - e - self.ohm * i) / self.henry
            for v, e, i in zip(volts, emf, y[:3], strict=True)
        ]
        drag = self.coulomb + self.viscous * omega + self.square_law * omega * omega + self.load(t, omega)
        alpha = 0.0 if held else (self.torque(y) - drag) / self.inertia
        power = sum(
            self.supply * i
            for v, i in zip(volts, y[:3], strict=True)
            if v is not None and v > 0.5 * self.supply
        )
        return [*currents, alpha, self.poles * omega, power, float(np.dot(y[:3], y[:3]))]


class Bridge:
    """Switches and diodes around a Reference: decides what conducts, and runs from event to event."""

    def __init__(
        self, motor: Reference, pwm_s: float = 0.0, duty: float = 1.0, free_steps: bool = False
    ) -> None:
        """`free_steps` lets the solver choose every step, as accurate as its tolerance and no more."""
        self.motor, self.pwm_s, self.duty, self.free_steps = motor, pwm_s, duty, free_steps
        self.switch: list[int | None] = [None, None, None]
        self.diode: list[int | None] = [None, None, None]

    def volts(self) -> list[float | None]:
        """Terminal voltages of the conducting terminals: 1 is the upper rail, 0 the lower."""
        motor = self.motor
        by_switch = {1: motor.supply, 0: 0.0}
        by_diode = {1: motor.supply + motor.diode, 0: -motor.diode}
        return [
            by_switch[s] if s is not None else (by_diode[d] if d is not None else None)
            for s, d in zip(self.switch, self.diode, strict=True)
        ]

    def command(self, step: int, on: bool) -> None:
        """Set the switches of a step, the upper one chopped."""
        high, low = HIGH_THEN_LOW[step]
        for k in range(3):
            target = 0 if k == low else (1 if k == high and on else None)
            if target != self.switch[k]:
                self.switch[k], self.diode[k] = target, None

    def settle(self, y: State) -> None:
        """Diodes of the open legs: those that carry current conduct, and those whose terminal lies beyond a
        rail."""
        motor = self.motor
        for k in range(3):
            if self.switch[k] is None and self.diode[k] is None and y[k] != 0.0:
                self.diode[k] = 0 if y[k] > 0.0 else 1
        emf = [motor.ke * y[OMEGA] * f for f in motor.shapes(y[ANGLE])]
        star = motor.star(self.volts(), emf)
        for k in range(3):
            if self.switch[k] is None and self.diode[k] is None:
                if star + emf[k] > motor.supply + motor.diode:
                    self.diode[k] = 1
                elif star + emf[k] < -motor.diode:
                    self.diode[k] = 0

    def nearer_rail(self, leg: int, y: State) -> int:
        """The diode of an open terminal that has just met a rail; rounding may have left it short of that."""
        motor = self.motor
        emf = [motor.ke * y[OMEGA] * f for f in motor.shapes(y[ANGLE])]
        return 1 if motor.star(self.volts(), emf) + emf[leg] > 0.5 * motor.supply else 0

    def events(self, y0: State, held: bool) -> list[tuple[str, int, Callable[[float, State], float]]]:
        """All that may end the piece that begins at `y0`: (kind, leg, function that passes zero)."""
        motor = self.motor
        sector = math.floor((y0[ANGLE] - FIRST_STEP_ANGLE) / SIXTH + 1e-9)
        corner = FIRST_STEP_ANGLE + (sector + 1) * SIXTH
        found: list[tuple[str, int, Callable[[float, State], float]]] = [
            ("corner", -1, lambda _t, y: corner - y[ANGLE])
        ]
        if held:
            found.append(
                ("breakaway", -1, lambda t, y: motor.stiction + motor.load(t, 0.0) - motor.torque(y))
            )
        volts = self.volts()

        def room(k: int, _t: float, y: State) -> float:
            """Distance of the open terminal `k` from the nearer diode."""
            emf = [motor.ke * y[OMEGA] * f for f in motor.shapes(y[ANGLE])]
            terminal = motor.star(volts, emf) + emf[k]
            return min(motor.supply + motor.diode - terminal, terminal + motor.diode)

        def left(k: int, sign: float, _t: float, y: State) -> float:
            return sign * float(y[k]) + BARELY_A

        for k in range(3):
            if self.diode[k] is not None:
                found.append(("extinction", k, partial(left, k, 1.0 if self.diode[k] == 0 else -1.0)))
            elif self.switch[k] is None:
                found.append(("conduction", k, partial(room, k)))
        for _, _, function in found:
            terminal: Any = function
            terminal.terminal, terminal.direction = True, -1.0
        return found

    def chop(self, t: float) -> tuple[bool, float]:
        """Whether the PWM is on at `t`, and when that changes."""
        if self.pwm_s == 0.0:
            return True, math.inf
        period = math.floor(t / self.pwm_s + 1e-9)
        off = (period + self.duty) * self.pwm_s
        return (True, off) if t < off - 1e-15 else (False, (period + 1) * self.pwm_s)

    def run(self, y0: State, times: NDArray[np.float64], rtol: float) -> NDArray[np.float64]:
        """States at `times` [s], commutating at the ideal angles; forward rotation only."""
        motor = self.motor
        t, y = 0.0, y0.copy()
        held = motor.stiction + motor.load(0.0, 0.0) > 0.0 and y[OMEGA] == 0.0
        rows: list[State] = []
        scale = np.array([1e-6, 1e-6, 1e-6, 1e-5, 1e-7, 1e-9, 1e-9])
        while t < times[-1]:
            on, edge = self.chop(t)
            sector = math.floor((y[ANGLE] - FIRST_STEP_ANGLE) / SIXTH + 1e-9)
            self.command(sector % 6, on)
            self.settle(y)
            events = self.events(y, held)
            end = min(edge, float(times[-1]))
            piece = solve_ivp(
                partial(motor.rates, self.volts(), held), (t, end), y, method="RK45", rtol=rtol,
                atol=scale * rtol / 1e-6,
                t_eval=np.union1d(times[(times > t) & (times < end)], end),
                events=[function for _, _, function in events],
                max_step=math.inf if self.free_steps else SIXTH / 4.0 / max(motor.poles * y[OMEGA], 1.0),
            )  # fmt: skip
            rows.extend(y for at, y in zip(piece.t, np.transpose(piece.y), strict=True) if at in times)
            t, y, held = self.resume(piece, events, end, held)
        return np.array(rows)

    def resume(self, piece: Any, events: Any, end: float, held: bool) -> tuple[float, State, bool]:
        """Time, state and standstill after a piece, with what its event changes."""
        for (kind, leg, _), at, states in zip(events, piece.t_events, piece.y_events, strict=True):
            if at.size == 0:
                continue
            y = states[0].copy()
            if kind == "extinction":
                rest = y[leg]
                y[:3] = [0.0 if k == leg else i + rest * (i != 0.0) / 2.0 for k, i in enumerate(y[:3])]
                self.diode[leg] = None
            elif kind == "conduction":
                self.diode[leg] = self.nearer_rail(leg, y)
            elif kind == "corner":
                y[ANGLE] = FIRST_STEP_ANGLE + SIXTH * round((y[ANGLE] - FIRST_STEP_ANGLE) / SIXTH)
            return float(at[0]), y, held and kind != "breakaway"
        return end, piece.y[:, -1], held
