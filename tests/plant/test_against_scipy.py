"""The whole plant with ideal commutation against scipy on the independently written equations of
`reference`."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sim.plant.records import OFF
from tests.plant.harness import (
    BOARD_MOTOR,
    FRICTION,
    UNEQUAL,
    WINDING_MOTOR,
    Drive,
    imbalance,
    plant,
    run,
    state,
)
from tests.plant.reference import FIRST_STEP_ANGLE, Reference
from tests.plant.reference_bridge import Bridge

START_DEG = 20.0
LOADED = {**WINDING_MOTOR, "pole_pairs": 6, "fan_Nm_s2_per_rad2": 2e-7}
"""A fan holds the current up at speed, and six pole pairs make the steps short: the freewheel takes 50 of
60 degrees."""
CASES: dict[str, tuple[dict[str, Any], float, float, float]] = {
    "board motor": ({**BOARD_MOTOR, **FRICTION}, 0.0, 1.0, 0.12),
    "freewheel beyond 30 degrees": (WINDING_MOTOR, 0.0, 1.0, 0.12),
    "freewheel beyond 30 degrees, loaded": (LOADED, 0.0, 1.0, 0.06),
    "freewheel beyond 30 degrees, loaded, 5 kHz": (LOADED, 2e-4, 0.6, 0.03),
    "board motor, 20 kHz, half duty": ({**BOARD_MOTOR, **FRICTION}, 50e-6, 0.5, 0.015),
    "unequal coils": ({**BOARD_MOTOR, **FRICTION, **UNEQUAL}, 0.0, 1.0, 0.06),
    "unequal coils, 20 kHz": ({**BOARD_MOTOR, **FRICTION, **UNEQUAL}, 50e-6, 0.5, 0.01),
    "unequal coils, freewheel beyond 30 degrees": ({**WINDING_MOTOR, **UNEQUAL}, 0.0, 1.0, 0.06),
    "unequal coils, loaded, 5 kHz": ({**LOADED, **UNEQUAL}, 2e-4, 0.6, 0.03),
}


TABLE_RAD_S, TABLE_Nm = [0.0, 200.0, 500.0, 900.0], [4e-6, 1e-5, 2.5e-5, 2e-5]
COG_Nm, COGS, DETENT_RAD = 4e-5, 12, math.radians(25.0)
"""Detents of a twentieth of the board motor's stall torque. One lies where the rotor starts: it would fall
back before the current has risen, and the second model turns forward only."""


def brake(t: float, _omega: float) -> float:
    """A brake that grips at 30 ms and lets go at 60 ms."""
    return 3e-5 if 0.03 <= t < 0.06 else 1e-5


# Added torques: fields of PLANT, and the same for the second model.
TORQUES: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "steps of a brake": (
        {"load_steps": 3, "load_step_s": [0.0, 0.03, 0.06], "load_step_Nm": [1e-5, 3e-5, 1e-5]},
        {"load": brake},
    ),
    "a table": (
        {"table_rows": 4, "table_rad_s": TABLE_RAD_S, "table_Nm": TABLE_Nm},
        {"load": lambda _t, omega: float(np.interp(omega, TABLE_RAD_S, TABLE_Nm))},
    ),
    "iron": ({"magnetic_drag_Nm": 1.5e-5, "eddy_Nm_s_per_rad": 2e-8},
             {"load": lambda _t, omega: 1.5e-5 + 2e-8 * omega}),
    "detents": (
        {"cogging_Nm": COG_Nm, "cogs_per_turn": COGS,
         "detent_rad": BOARD_MOTOR["pole_pairs"] * DETENT_RAD - FIRST_STEP_ANGLE},
        {"detent": lambda angle: -COG_Nm * math.sin(COGS * (angle - DETENT_RAD))},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TORQUES)
def test_added_torques_act_as_in_the_solver(name: str) -> None:
    fields, words = TORQUES[name]
    motor = {**BOARD_MOTOR, **FRICTION}
    times = 0.12 * np.arange(1, 13) / 12.0
    second = replace(reference(motor), **words)
    wanted = Bridge(second).run(second.start(START_DEG), times, rtol=1e-8)
    p, s = plant(max_segment_deg=5.0, **motor, **fields), state(START_DEG)
    samples = run(p, s, Drive(), times)
    # The contract of the spin-up below: 0.05 %.
    np.testing.assert_allclose(samples[:, 1], wanted[:, 3], rtol=5e-4)
    assert float(s["supply_J"]) == pytest.approx(wanted[-1, 5], rel=1e-3)
    assert abs(imbalance(p, s)) < 1e-4
    if name != "detents":  # which take nothing in the mean
        plain = run(plant(**motor), state(START_DEG), Drive(), times)
        assert abs(samples[-1, 1] / plain[-1, 1] - 1.0) > 0.01


def coil_parts(motor: dict[str, Any]) -> dict[str, Any]:
    """Resistance and inductance of the coils over the motor's own, in the words of the second model."""
    fields = {"ohm_parts": "more_ohm_part", "henry_parts": "more_H_part"}
    equal = (0.0, 0.0, 0.0)
    return {word: tuple(1.0 + more for more in motor.get(name, equal)) for word, name in fields.items()}


def reference(motor: dict[str, Any]) -> Reference:
    """The motor in the words of the second model."""
    return Reference(
        **coil_parts(motor),
        poles=motor["pole_pairs"],
        ohm=motor["resistance_ohm"],
        switch=motor["switch_ohm"],
        henry=motor["inductance_H"],
        ke=motor["ke_V_s_per_rad"],
        inertia=motor["inertia_kg_m2"],
        supply=motor["supply_V"],
        diode=motor["diode_V"],
        coulomb=motor.get("coulomb_Nm", 0.0),
        stiction=motor.get("stiction_Nm", 0.0),
        viscous=motor.get("viscous_Nm_s_per_rad", 0.0),
        square_law=motor.get("windage_Nm_s2_per_rad2", 0.0) + motor.get("fan_Nm_s2_per_rad2", 0.0),
    )


@pytest.mark.parametrize("case", CASES)
def test_the_spin_up_is_that_of_a_general_purpose_solver(case: str) -> None:
    motor, pwm_s, duty, end_s = CASES[case]
    times = end_s * np.arange(1, 13) / 12.0
    second = reference(motor)
    wanted = Bridge(second, pwm_s, duty).run(second.start(START_DEG), times, rtol=1e-8)
    p, s = plant(max_segment_deg=20.0, **motor), state(START_DEG)
    samples = run(p, s, Drive(pwm_s=pwm_s, duty=duty), times)
    # The contract is 0.05 %; the solver's own error is far below.
    np.testing.assert_allclose(samples[:, 1], wanted[:, 3], rtol=5e-4)
    # An angle error of 0.05 % of a few turns shifts the waveforms by degrees: currents are
    # compared in the mean.
    heat = float(s["square_A2s"])
    assert heat == pytest.approx(wanted[-1, 6], rel=2e-3)
    assert float(s["copper_J"]) == pytest.approx(wanted[-1, 8], rel=2e-3)
    assert float(s["supply_J"]) == pytest.approx(wanted[-1, 5], rel=2e-3)
    assert abs(imbalance(p, s)) < 1e-3


@pytest.mark.parametrize(
    "case", ["freewheel beyond 30 degrees", "unequal coils, freewheel beyond 30 degrees"]
)
def test_the_currents_follow_the_solver_step_by_step(case: str) -> None:
    motor, pwm_s, duty, _ = CASES[case]
    times = np.linspace(1e-3, 0.03, 200)
    second = reference(motor)
    wanted = Bridge(second, pwm_s, duty).run(second.start(START_DEG), times, rtol=1e-9)
    samples = run(plant(max_segment_deg=2.0, **motor), state(START_DEG), Drive(), times)
    # Segments of 2 degrees: the angle agrees to 1e-5, the currents to that part of their range.
    np.testing.assert_allclose(samples[:, 3:6], wanted[:, :3], atol=1e-3 * np.abs(wanted[:, :3]).max())


@pytest.mark.parametrize("motor", [WINDING_MOTOR, LOADED])
def test_the_freewheel_outlasts_half_a_step(motor: dict[str, float]) -> None:
    # What the names of the cases above promise: a leg that is off conducts beyond 30 of the step's 60
    # degrees.
    samples = run(plant(**motor), state(START_DEG), Drive(), np.linspace(0.001, 0.06, 5000))
    late = np.degrees(samples[:, 2]) % 60.0 > 30.0
    assert np.any(samples[late, 6:9] != OFF)


@pytest.mark.parametrize("coils", [{}, UNEQUAL])
def test_a_rotor_that_overruns_its_supply_brakes_as_the_solver_says(coils: dict[str, Any]) -> None:
    # Starts at 1.7 times the no-load speed: floating phase and switches both feed the supply.
    motor = {**LOADED, "supply_V": 8.0, **coils}
    times = np.linspace(5e-4, 0.01, 40)
    second = reference(motor)
    wanted = Bridge(second).run(second.start(START_DEG, 1100.0), times, rtol=1e-9)
    p, s = plant(max_segment_deg=2.0, **motor), state(START_DEG, omega_rad_s=1100.0)
    samples = run(p, s, Drive(), times)
    # Braking and driving alternate less than the start does: an order below the contract of 0.05 %.
    np.testing.assert_allclose(samples[:, 1], wanted[:, 3], rtol=5e-5)
    np.testing.assert_allclose(samples[:, 3:6], wanted[:, :3], atol=1e-3 * np.abs(wanted[:, :3]).max())
    assert float(s["supply_J"]) == pytest.approx(wanted[-1, 5], rel=1e-3)
    assert wanted[:, 5].min() < 0.0
