"""Starts from rest with one Hall sensor: a rotor anywhere, a sensor off its place, friction, a heavy rotor.

The motors and loads are our own inventions; what is checked is that the rotor turns in the end, whatever is
drawn. Friction is a part of the torque at rest at full supply; duty_pi starts with half of that torque, the
others with all of it.
"""

import itertools

import numpy as np
import pytest

from sim.design import Design, Override, apply_overrides
from sim.run.assemble import build_firmware
from sim.run.metrics import column, smoothed_rpm
from sim.run.simulate import simulate
from sim.run.torques import stall_torque_Nm
from sim.studies.law_design import design_of_law

LAWS = ("duty_pi", "step_trim", "step_trim_background", "trim_then_duty")
LONGEST_S = 2.0
"""For the usual rotor; a heavier one takes longer by the root of its inertia, as any swing does."""


def start(design: Design, angle_deg: float, late_deg: float, friction: float, inertia: float) -> Design:
    """The design at rest at `angle_deg`; friction: part of the torque at rest; inertia: times the rotor's."""
    friction_Nm = friction * stall_torque_Nm(design)
    duration_s = LONGEST_S * inertia**0.5
    changes: dict[str, Override] = {
        "command.duration_s": duration_s, "require.within_s": duration_s,
        "motor.start_angle_deg": angle_deg % 360.0, "hall.placement_error_deg": late_deg,
        "motor.coulomb_Nm": friction_Nm, "motor.stiction_Nm": 1.1 * friction_Nm,
        "load.added_inertia_kg_m2": (inertia - 1.0) * design.motor.inertia_kg_m2,
    }  # fmt: skip
    return apply_overrides(design, changes)


def slow_starts(law: str, cases: list[tuple[float, float, float, float]]) -> list[tuple[float, ...]]:
    """Those of the cases in which a tenth of the commanded speed was never reached."""
    design = design_of_law(law, target="m0", arithmetic="i32")
    firmware = build_firmware(design)
    never = []
    for case in cases:
        recording = simulate(start(design, *case), firmware=firmware)
        if not np.any(smoothed_rpm(recording) >= 0.1 * column(recording, "command_rpm")):
            never.append(case)
    return never


@pytest.mark.parametrize("law", LAWS)
def test_a_rotor_at_rest_where_the_level_changes_gets_away(law: str) -> None:
    """With the sensor in its place, late and early; easily turned and not, light and heavy."""
    cases = itertools.product((0.0, 180.0), (-15.0, 0.0, 15.0), (0.01, 0.1), (1.0, 10.0))
    assert slow_starts(law, list(cases)) == []


@pytest.mark.slow
@pytest.mark.parametrize("law", LAWS)
def test_a_rotor_gets_away_from_anywhere(law: str) -> None:
    """Up to a tenth of the torque at rest in friction, up to 50 times the rotor's inertia."""
    rng = np.random.default_rng(5)
    cases = [
        (
            rng.choice([0.0, 180.0, rng.uniform(0.0, 360.0)]) + rng.uniform(-15.0, 15.0),
            rng.uniform(-15.0, 15.0),
            rng.uniform(0.0, 0.1),
            50.0 ** rng.uniform(0.0, 1.0),
        )
        for _ in range(300)
    ]
    assert slow_starts(law, cases) == []
