"""Designs that do their job against themselves: which are told so, and what is blamed."""

from dataclasses import replace

import numpy as np
import pytest

from sim.design import Design, Override, load_design, variant_of
from sim.run.metrics import Metrics, column, measure
from sim.run.simulate import simulate
from sim.run.torques import ideal_supply_W, torque_balance_rpm
from sim.studies.limits import has_parted, met
from sim.studies.strain import MANY, TOO_MUCH, FAR_deg, strain

BLOWER, FEEDER = "scenarios/air_sampler.toml", "scenarios/label_feeder.toml"


def measured(scenario: str, changes: dict[str, Override]) -> tuple[Design, Metrics]:
    design = variant_of(load_design(scenario), changes)
    return design, measure(simulate(design))


# (scenario, changes, what is blamed, the law to try on another target, a phrase)
STRAINED = [
    (BLOWER, {"firmware.target": "m0"}, "law", None, "electrical degrees late on average"),
    (FEEDER, {}, "memory", "duty_pi", "it needs 3,197 bytes of flash, acc8 has 2,048, so on another target"),
    (
        FEEDER,
        {"firmware.law": "duty_pi", "firmware.target": "m0", "hall.placement_error_deg": 50.0},
        "hall",
        None,
        "Look at the place of the Hall sensor",
    ),
    (
        "scenarios/reaction_wheel.toml",
        {
            "firmware.law": "duty_pi_three",
            "firmware.target": "avr25",
            "hall.sensors": 3,
            "hall.edges": "both",
        },
        "processor",
        None,
        "electrical degrees after they were due",
    ),
]


@pytest.mark.parametrize(("scenario", "changes", "blamed", "law", "phrase"), STRAINED)
def test_what_is_wrong_is_told_and_blamed(
    scenario: str, changes: dict[str, Override], blamed: str, law: str | None, phrase: str
) -> None:
    design, metrics = measured(scenario, changes)
    found = strain(design, metrics)
    assert found is not None
    assert (found.blamed, found.law) == (blamed, law)
    assert phrase in found.text
    assert metrics.settled_supply_W > TOO_MUCH * ideal_supply_W(design, metrics.settled_rpm)


def test_steps_that_come_early_are_told_so() -> None:
    design, metrics = measured(BLOWER, {"firmware.target": "m0"})
    found = strain(design, replace(metrics, settled_angle_error_deg=-30.0))
    assert found is not None
    assert "its steps come 30.0 electrical degrees early on average" in found.text


def test_a_law_that_follows_the_rotor_strains_nothing() -> None:
    design, metrics = measured(BLOWER, {"firmware.law": "duty_pi", "firmware.target": "m0"})
    assert met(design, metrics)
    assert strain(design, metrics) is None


def test_early_steps_that_cost_little_are_no_strain() -> None:
    """Full voltage and a trim: the propeller is turned a little faster than with steps in their place."""
    changes: dict[str, Override] = {
        "firmware.law": "step_trim", "firmware.target": "m0", "require.speed_rpm": 7000.0
    }  # fmt: skip
    design, metrics = measured("scenarios/prop_rig.toml", changes)
    assert metrics.settled_angle_error_deg < -FAR_deg
    assert strain(design, metrics) is None


def test_what_does_not_meet_its_requirement_is_explained_elsewhere() -> None:
    design, metrics = measured(BLOWER, {})
    assert metrics.settled_opposed_part > MANY
    assert strain(design, metrics) is None


def test_the_part_of_opposed_steps_is_that_of_the_last_tenth() -> None:
    recording = simulate(load_design(FEEDER))
    opposed, steps = column(recording, "opposed_steps"), column(recording, "steps")
    assert steps[-1] <= recording.counters["steps"] <= steps[-1] + 6  # those after the last row
    last = len(steps) - round(0.1 * len(steps))
    part = (opposed[-1] - opposed[last]) / (steps[-1] - steps[last])
    assert measure(recording).settled_opposed_part == part
    assert part != opposed[-1] / steps[-1]


# (scenario, law, changes, spread of the rotor's angle at a step, steps a turn, whether they have parted)
FOLLOWED = [
    ("fume_fan", "duty_pi", {}, (0.0, 0.01), (5.9, 6.1), False),
    ("fume_fan", "free_trim", {}, (0.7, 1.0), (7.5, 12.0), True),  # slips poles: 7,000 rpm of 12,000
    ("air_sampler", "open_ramp", {}, (0.9, 1.0), (50.0, 200.0), True),  # the field passes it by
    ("air_sampler", "open_ramp", {"drive.supply_V": 6.25}, (0.0, 0.01), (1000.0, 2000.0), True),  # it stands
    # 45 % of the steps oppose it, because they are late, and late by the same angle in every turn
    ("air_sampler", "step_trim", {"load.fan_torque_Nm": 20e-6}, (0.0, 0.01), (5.0, 6.0), False),
]


@pytest.mark.parametrize(("scenario", "law", "changes", "spread", "steps", "is_parted"), FOLLOWED)
def test_a_rotor_that_follows_its_steps_is_in_the_same_place_at_each_of_them(
    scenario: str, law: str, changes: dict[str, Override], spread: tuple[float, float],
    steps: tuple[float, float], is_parted: bool,
) -> None:  # fmt: skip
    _, metrics = measured(f"scenarios/{scenario}.toml", {"firmware.law": law, **changes})
    assert spread[0] <= metrics.settled_place_spread <= spread[1]
    assert steps[0] < metrics.settled_steps_per_turn < steps[1]
    assert has_parted(metrics) == is_parted


def test_the_angle_is_the_mean_over_steps_not_over_rows() -> None:
    """At 300 rpm a step takes 8 ms and a trace row 4 ms: half the rows hold no step."""
    changes: dict[str, Override] = {"firmware.law": "duty_pi", "firmware.target": "m0",
                                    "command.speed_rpm": 300.0, "require.speed_rpm": 300.0}  # fmt: skip
    design = variant_of(load_design("scenarios/stirrer.toml"), changes)
    recording = simulate(design)
    last = round(0.1 * len(recording.trace))
    steps = np.diff(column(recording, "steps"))[-last:]
    errors = column(recording, "angle_error_deg")[-last:]
    assert np.count_nonzero(steps) < 0.6 * last
    mean = (errors * steps).sum() / steps.sum()
    assert measure(recording).settled_angle_error_deg == pytest.approx(mean, rel=1e-9)  # order of additions
    assert abs(mean) > 1.5 * abs(errors.mean())


def test_ideal_power_at_the_torque_ceiling_is_all_that_the_supply_can_push_in() -> None:
    """There the whole supply drives the current: V i = V (V - 2 ke w) / R, 2 (2.1 + 0.1) ohm of the blower
    where nothing else is in the loop."""
    design = load_design(BLOWER)
    motor, volts = design.motor, design.drive.supply_V
    rpm = torque_balance_rpm(design)
    ohm = 2.0 * (motor.phase_resistance_ohm + design.drive.switch_on_resistance_ohm)
    emf_V = 2.0 * motor.ke_V_s_per_rad * rpm * 3.141592653589793 / 30.0
    # rel: the bisection of the ceiling ends at the last bit; a difference of near numbers loses a few
    assert ideal_supply_W(design, rpm) == pytest.approx(volts * (volts - emf_V) / ohm, rel=1e-9)
