"""Motors, records and the one compiled driver that the plant's tests share.

The driver knows no firmware: it commutates by the rotor itself or holds a step, and chops by the clock. One
driver does all, because each distinct outermost kernel costs several seconds of compilation.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers.jit import kernel
from sim.plant.advance import REACHED, _one_segment
from sim.plant.circuit import set_legs
from sim.plant.emf import trapezoid
from sim.plant.hall import hall_places
from sim.plant.records import (
    LOAD_ROWS,
    PLANT,
    PLANT_STATE,
    SEGMENT,
    SWITCHED_HIGH_SIDE,
    WINDOW_COLUMNS,
    Record,
)
from sim.run.energy import LOSSES

KNOTS = 6
STEP_RAD = math.pi / 3.0
ALL_OFF = 6
"""A step beyond the last: `set_legs` switches every half-bridge off."""
RAD_S_PER_RPM = math.pi / 30.0
NOT_HELD, HELD_Nm = 0.0, 1e9
"""Stiction of a free and of a locked rotor."""

BOARD_MOTOR = {
    "pole_pairs": 2, "resistance_ohm": 1.75, "switch_ohm": 0.1, "inductance_H": 12.5e-6,
    "ke_V_s_per_rad": 3.5e-4, "inertia_kg_m2": 3e-7, "supply_V": 5.0, "diode_V": 0.7,
}  # fmt: skip
"""The coreless board motor of scenarios/air_sampler.toml, without friction and load."""
WINDING_MOTOR = {
    "pole_pairs": 4, "resistance_ohm": 0.2, "switch_ohm": 0.02, "inductance_H": 2e-4,
    "ke_V_s_per_rad": 6e-3, "inertia_kg_m2": 2e-6, "supply_V": 12.0, "diode_V": 0.6,
}  # fmt: skip
"""A motor with iron: L/R of 0.9 ms, so that at speed the freewheel lasts longer than 30 electrical degrees
(test_against_scipy.py looks). Our own invention."""
FRICTION = {
    "coulomb_Nm": 5e-6, "stiction_Nm": 8e-6, "viscous_Nm_s_per_rad": 1e-9, "windage_Nm_s2_per_rad2": 4.5e-12,
    "fan_Nm_s2_per_rad2": 60e-6 / (10000.0 * RAD_S_PER_RPM) ** 2,
}  # fmt: skip
"""Bearing, air and impeller of the board motor, from the same scenario."""


UNEQUAL = {"unequal": 1, "more_ohm_part": (0.0, 0.5, -0.3), "more_H_part": (0.0, -0.2, 0.6)}
"""Three coils that differ far more than any winder's: their time constants are as 1 to 0.53 to 2.3."""


def plant(
    max_segment_deg: float = 4.0, max_segment_s: float = 1e-4, knots: int = KNOTS, **values: Any
) -> Record:
    """PLANT record: the board motor with `values` replaced. Lengths of a segment in electrical degrees and
    seconds."""
    knot, u_rad = hall_places(0.0, 4.0, knots)
    numbers: dict[str, Any] = {
        **BOARD_MOTOR, "pwm_mode": SWITCHED_HIGH_SIDE, "knots": knots, "cell_rad": 2.0 * math.pi / knots,
        "hall_knot": knot, "hall_u_rad": u_rad, "max_segment_rad": math.radians(max_segment_deg),
        "max_segment_s": max_segment_s, "window_from_s": math.inf, **values,
    }  # fmt: skip
    record = np.zeros(1, PLANT)[0]
    for name, value in numbers.items():
        table = isinstance(value, list) and len(value) < LOAD_ROWS
        record[name] = [*value, *[0.0] * (LOAD_ROWS - len(value))] if table else value
    return record


def state(phi_deg: float = 30.0, knots: int = KNOTS, **values: Any) -> Record:
    """PLANT_STATE record of a rotor `phi_deg` electrical degrees after the angle where step 0 begins, all
    switches off."""
    turns, phi = divmod(math.radians(phi_deg), 2.0 * math.pi)
    cell_rad = 2.0 * math.pi / knots
    knot = int(phi / cell_rad)
    numbers: dict[str, Any] = {
        "turns": int(turns), "knot": knot, "u_rad": phi - knot * cell_rad, "step": ALL_OFF, "pwm_on": 1,
        "unsettled": 1, "busy": -1, **values,
    }  # fmt: skip
    numbers["level"] = numbers.get("hall", 0)
    record = np.zeros(1, PLANT_STATE)[0]
    for name, value in numbers.items():
        record[name] = value
    return record


@dataclass(frozen=True)
class Drive:
    """What stands in for the firmware.

    `step`: the step held; None commutates at the ideal angles, `lead` steps ahead of them. `pwm_s`: PWM
    period, 0 for full voltage; `duty` is its on part.
    """

    step: int | None = None
    lead: int = 0
    pwm_s: float = 0.0
    duty: float = 1.0


IDEAL = Drive()
COASTING = Drive(step=ALL_OFF)
COLUMNS = ("t_s", "omega_rad_s", "phi_rad", "i_a_A", "i_b_A", "i_c_A", "diode_a", "diode_b", "diode_c")
"""Columns of a sample; `phi_rad` is electrical, with whole turns."""


@kernel
def _drive(
    p: Record, s: Record, w: Record, shape: Record, window: Record,
    held_step: int, lead: int, pwm_s: float, duty: float, samples: Record,
) -> bool:  # fmt: skip
    """Run to each time in column 0 of `samples` and fill its row; returns whether the plant got there."""
    periods, released = 0, -1
    for row in range(samples.shape[0]):
        t_end_s = samples[row, 0]
        while s.t_s < t_end_s:
            step = held_step if held_step >= 0 else (s.knot * 6 // p.knots + lead) % 6
            edge_s = t_end_s
            if pwm_s > 0.0:
                while s.t_s >= (periods + 1) * pwm_s:
                    periods += 1
                off_s = (periods + duty) * pwm_s
                on = 1 if s.t_s < off_s else 0
                edge_s = min(edge_s, off_s if on else (periods + 1) * pwm_s)
                step_changed = step != s.step or on != s.pwm_on
                s.pwm_on = on
                # Once a period: a current still above the threshold trips again at the same instant.
                if s.tripped and periods > released and s.t_s < periods * pwm_s + 1e-12:
                    s.tripped, released = 0, periods
                    step_changed = True
            else:
                step_changed = step != s.step
            if step_changed:
                s.step = step
                set_legs(p, s)
            before_s = s.t_s
            edge = _one_segment(p, s, w, shape, edge_s, window)
            s.idle = s.idle + 1 if s.t_s == before_s and edge == REACHED else 0
            if s.idle > 100:
                return False
        samples[row, 1] = s.omega_rad_s
        samples[row, 2] = s.turns * 2.0 * math.pi + s.knot * p.cell_rad + s.u_rad
        for k in range(3):
            samples[row, 3 + k] = s.i_A[k]
            samples[row, 6 + k] = s.diode[k]
    return True


def run(
    p: Record,
    s: Record,
    drive: Drive,
    times_s: "float | NDArray[np.float64]",
    shapes: "NDArray[np.float64] | None" = None,
) -> NDArray[np.float64]:
    """Run to each of `times_s` and return the samples (COLUMNS); `s` is left at the last of them. `shapes`:
    back-EMF table, the trapezoid unless given."""
    times = np.atleast_1d(np.asarray(times_s, dtype=float))
    samples = np.zeros((times.size, len(COLUMNS)))
    samples[:, 0] = times
    held = -1 if drive.step is None else drive.step
    window = np.zeros((0, len(WINDOW_COLUMNS)))
    w = np.zeros(1, SEGMENT)[0]
    reached = _drive(
        p,
        s,
        w,
        trapezoid(KNOTS) if shapes is None else shapes,
        window,
        held,
        drive.lead,
        drive.pwm_s,
        drive.duty,
        samples,
    )
    assert reached, f"the plant stopped making progress at {s['t_s']} s"
    return samples


def kinetic_J(p: Record, s: Record) -> float:
    """Energy of the rotor."""
    return 0.5 * float(p["inertia_kg_m2"]) * float(s["omega_rad_s"]) ** 2


def magnetic_J(p: Record, s: Record) -> float:
    """Energy of the three coils; in a delta they have three times the inductance of the star alike."""
    i, inductance_H = s["i_A"].astype(float), float(p["inductance_H"]) * (1.0 + p["more_H_part"])
    if p["delta"]:
        coils = np.array([i[0] - i[1], i[1] - i[2], i[2] - i[0]]) / 3.0 + float(s["round_A"])
        return 0.5 * float(np.sum(3.0 * inductance_H * coils**2))
    return 0.5 * float(np.sum(inductance_H * i**2))


def imbalance(p: Record, s: Record, start_J: float = 0.0) -> float:
    """Energy that appeared or vanished, as a part of all that was turned over. `start_J`: kinetic plus
    magnetic at the start."""
    losses = sum(float(s[name]) for name in LOSSES)
    bus_V = float(p["supply_V"] - s["sag_V"])
    charged_J = 0.5 * float(p["bulk_F"]) * (bus_V**2 - float(p["supply_V"]) ** 2) if p["supply_ohm"] else 0.0
    stored = kinetic_J(p, s) + magnetic_J(p, s) + float(s["cogging_J"]) + charged_J
    turned_over = abs(float(s["supply_J"])) + start_J
    return (float(s["supply_J"]) + start_J - losses - stored) / turned_over
