"""Switches and diodes around a Reference: decides what conducts, and runs from event to event.

Every switching is a terminal event of scipy's `solve_ivp`.
"""

import math
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from tests.plant.reference import (
    ANGLE,
    BUS,
    FIRST_STEP_ANGLE,
    OMEGA,
    SIXTH,
    End,
    Reference,
    State,
)

BARELY_A = 1e-9
"""A diode current ends this much beyond zero: at the start of its conduction it is zero, too, which is no
end."""
NOTHING_A = 5.0 * BARELY_A
"""What an extinction may leave in the other terminals: no current that would keep a diode on."""
HIGH_THEN_LOW = ((0, 1), (0, 2), (1, 2), (1, 0), (2, 0), (2, 1))


class Bridge:
    """Three half-bridges and a PWM that commutate at the ideal angles; forward rotation only."""

    def __init__(
        self,
        motor: Reference,
        pwm_s: float = 0.0,
        duty: float = 1.0,
        free_steps: bool = False,
        chops: str = "high",
        dead_s: float = 0.0,
        corner: float = SIXTH,
        trip_A: float = math.inf,
    ) -> None:
        """chops: "high", "low" or "both". corner: distance of the back-EMF's corners. free_steps: the solver
        chooses every step, as accurate as its tolerance and no more."""
        self.motor, self.pwm_s, self.duty, self.free_steps = motor, pwm_s, duty, free_steps
        self.chops, self.dead_s, self.corner, self.trip_A = chops, dead_s, corner, trip_A
        self.reset()

    def reset(self) -> None:
        """All switches off, nothing remembered."""
        self.switch: list[int | None] = [None, None, None]
        self.diode: list[int | None] = [None, None, None]
        self.left: list[tuple[int | None, float]] = [(None, -math.inf)] * 3
        self.tripped = False
        self.trips = 0

    def ends(self) -> list[End]:
        """What holds each terminal."""
        drop = self.motor.diode
        by_diode: dict[int, End] = {1: (1, drop), 0: (0, -drop)}
        return [
            (s, 0.0) if s is not None else (by_diode[d] if d is not None else None)
            for s, d in zip(self.switch, self.diode, strict=True)
        ]

    def asked(self, step: int, on: bool) -> list[int | None]:
        """The rails that a step wants the terminals at."""
        high, low = HIGH_THEN_LOW[step]
        rails: list[int | None] = [None, None, None]
        rails[high], rails[low] = 1, 0
        if not on:
            rails[low if self.chops == "low" else high] = 0 if self.chops == "both" else None
        return rails

    def command(self, step: int, on: bool, t: float) -> float:
        """Set the switches of a step; returns when the next one waits no longer for the dead time."""
        waits = math.inf
        for k, target in enumerate(self.asked(step, on and not self.tripped)):
            now = target
            if target != self.switch[k] and self.switch[k] is not None:
                self.left[k] = (self.switch[k], t)
            rail, since = self.left[k]
            if None not in (target, rail) and target != rail and t < since + self.dead_s - 1e-15:
                now, waits = None, min(waits, since + self.dead_s)
            if now != self.switch[k]:
                self.switch[k], self.diode[k] = now, None
        return waits

    def settle(self, y: State) -> None:
        """Diodes of the open legs: those that carry current conduct, and those whose terminal lies beyond a
        rail."""
        motor, line = self.motor, self.motor.line(y)
        for k in range(3):
            if self.switch[k] is None and self.diode[k] is None and abs(line[k]) > NOTHING_A:
                self.diode[k] = 0 if line[k] > 0.0 else 1
        for k in range(3):
            if self.switch[k] is None and self.diode[k] is None:
                terminal = motor.open_V(self.ends(), y, k)
                if terminal > y[BUS] + motor.diode:
                    self.diode[k] = 1
                elif terminal < -motor.diode:
                    self.diode[k] = 0

    def nearer_rail(self, leg: int, y: State) -> int:
        """The diode of an open terminal that has just met a rail; rounding may have left it short of that."""
        return 1 if self.motor.open_V(self.ends(), y, leg) > 0.5 * y[BUS] else 0

    def events(self, y0: State, held: bool) -> list[tuple[str, int, Callable[[float, State], float]]]:
        """All that may end the piece that begins at `y0`: (kind, leg, function that passes zero)."""
        motor, ends = self.motor, self.ends()
        cell = math.floor((y0[ANGLE] - FIRST_STEP_ANGLE) / self.corner + 1e-9)
        corner = FIRST_STEP_ANGLE + (cell + 1) * self.corner
        found: list[tuple[str, int, Callable[[float, State], float]]] = [
            ("corner", -1, lambda _t, y: corner - y[ANGLE])
        ]
        if held:
            found.append(
                ("breakaway", -1, lambda t, y: motor.stiction + motor.load(t, 0.0) - motor.torque(y))
            )

        def room(k: int, _t: float, y: State) -> float:
            """Distance of the open terminal `k` from the nearer diode."""
            terminal = motor.open_V(ends, y, k)
            return min(y[BUS] + motor.diode - terminal, terminal + motor.diode)

        def left(k: int, sign: float, _t: float, y: State) -> float:
            return sign * motor.line(y)[k] + BARELY_A

        def below_trip(k: int, _t: float, y: State) -> float:
            return self.trip_A - motor.line(y)[k]

        for k in range(3):
            if self.diode[k] is not None:
                found.append(("extinction", k, partial(left, k, 1.0 if self.diode[k] == 0 else -1.0)))
            elif self.switch[k] is None:
                found.append(("conduction", k, partial(room, k)))
            elif self.switch[k] == 1 and math.isfinite(self.trip_A) and not self.tripped:
                found.append(("trip", k, partial(below_trip, k)))
        for _, _, function in found:
            terminal: Any = function
            terminal.terminal, terminal.direction = True, -1.0
        return found

    def chop(self, t: float) -> tuple[bool, float]:
        """Whether the PWM is on at `t`, and when that changes."""
        if self.pwm_s == 0.0:
            return True, math.inf
        period = math.floor(t / self.pwm_s + 1e-9)
        if abs(t - period * self.pwm_s) < 1e-12:
            self.tripped = False
        off = (period + self.duty) * self.pwm_s
        return (True, off) if t < off - 1e-15 else (False, (period + 1) * self.pwm_s)

    def run(self, y0: State, times: NDArray[np.float64], rtol: float) -> NDArray[np.float64]:
        """States at `times` [s], from a bridge that is off."""
        self.reset()
        motor = self.motor
        t, y = 0.0, y0.copy()
        held = motor.stiction + motor.load(0.0, 0.0) > 0.0 and y[OMEGA] == 0.0
        rows: list[State] = []
        scale = np.array([1e-6, 1e-6, 1e-6, 1e-5, 1e-7, 1e-9, 1e-9, 1e-6, 1e-9])
        while t < times[-1]:
            on, edge = self.chop(t)
            step = math.floor((y[ANGLE] - FIRST_STEP_ANGLE) / SIXTH + 1e-9)
            waits = self.command(step % 6, on, t)
            self.settle(y)
            events = self.events(y, held)
            end = min(edge, waits, float(times[-1]))
            piece = solve_ivp(
                partial(motor.rates, self.ends(), held), (t, end), y, method="RK45", rtol=rtol,
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
                self.motor.without_line(y, leg)
                self.diode[leg] = None
            elif kind == "conduction":
                self.diode[leg] = self.nearer_rail(leg, y)
            elif kind == "trip":
                self.tripped, self.trips = True, self.trips + 1
            elif kind == "corner":
                cells = round((y[ANGLE] - FIRST_STEP_ANGLE) / self.corner)
                y[ANGLE] = FIRST_STEP_ANGLE + self.corner * cells
            return float(at[0]), y, held and kind != "breakaway"
        return end, piece.y[:, -1], held
