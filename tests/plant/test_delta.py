"""A delta against its three branches in a general-purpose solver, and against the star that looks alike.

Source of the closed forms: star-delta transformation (Kennelly 1899, from memory); Hanselman, from memory:
of the same coils, a delta shows 2 R / 3 between two terminals instead of 2 R, and 1 / sqrt 3 of a sine's
back-EMF.
"""

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sim.plant.emf import CIRCULATING, flat_top, sine, table, trapezoid
from sim.run.waveform import terminal_factor
from tests.plant.harness import (
    BOARD_MOTOR,
    COASTING,
    FRICTION,
    UNEQUAL,
    WINDING_MOTOR,
    Drive,
    HELD_Nm,
    imbalance,
    plant,
    run,
    state,
)
from tests.plant.reference import DeltaReference
from tests.plant.reference import flat_top as second_flat_top
from tests.plant.reference_bridge import Bridge
from tests.plant.test_against_scipy import coil_parts

FINE = 72
START_DEG = 20.0
BOARD, WINDING = {**BOARD_MOTOR, **FRICTION}, {**WINDING_MOTOR, "fan_Nm_s2_per_rad2": 2e-7}


def coils(motor: dict[str, Any], **values: Any) -> dict[str, Any]:
    """PLANT values of a delta of the motor's coils."""
    third = {name: motor[name] / 3.0 for name in ("resistance_ohm", "inductance_H")}
    return {**motor, **third, "delta": 1, **values}


def second(motor: dict[str, Any], **words: Any) -> DeltaReference:
    """The same delta in the words of the second model."""
    return DeltaReference(
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
        **words,
    )


WEAKER = (1.0, 0.9, 1.05)
TRAPEZOIDS, SINES = table(flat_top, 12, delta=True), table(sine(FINE), FINE, delta=True)
# motor, table, shape and parts of the second model, corners, PWM period, duty, end
CASES: dict[str, tuple[dict[str, Any], NDArray[np.float64], dict[str, Any], float, float, float, float]] = {
    "trapezoids": (BOARD, TRAPEZOIDS, {"shape": second_flat_top}, math.pi / 6.0, 0.0, 1.0, 0.05),
    "trapezoids, chopped": (BOARD, TRAPEZOIDS, {"shape": second_flat_top}, math.pi / 6.0, 5e-5, 0.5, 0.005),
    "iron motor": (WINDING, TRAPEZOIDS, {"shape": second_flat_top}, math.pi / 6.0, 0.0, 1.0, 0.03),
    "sines": (BOARD, SINES, {"shape": math.sin}, math.pi / 3.0, 0.0, 1.0, 0.05),
    "one coil weaker": (
        BOARD, table(flat_top, 12, WEAKER, delta=True), {"shape": second_flat_top, "parts": WEAKER},
        math.pi / 6.0, 0.0, 1.0, 0.05,
    ),
    "unequal coils": (
        {**BOARD, **UNEQUAL}, TRAPEZOIDS, {"shape": second_flat_top}, math.pi / 6.0, 0.0, 1.0, 0.05
    ),
    "unequal coils, chopped": (
        {**BOARD, **UNEQUAL}, TRAPEZOIDS, {"shape": second_flat_top}, math.pi / 6.0, 5e-5, 0.5, 0.005
    ),
    "unequal coils, iron motor, chopped": (
        {**WINDING, **UNEQUAL}, TRAPEZOIDS, {"shape": second_flat_top}, math.pi / 6.0, 2e-4, 0.6, 0.02
    ),
    "unequal coils, sines": ({**BOARD, **UNEQUAL}, SINES, {"shape": math.sin}, math.pi / 3.0, 0.0, 1.0, 0.05),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_three_branches_in_the_solver_do_the_same(case: str) -> None:
    motor, shapes, words, corner, pwm_s, duty, end_s = CASES[case]
    times = end_s * np.arange(1, 9) / 8.0
    model = second(motor, **words)
    wanted = Bridge(model, pwm_s, duty, corner=corner).run(model.start(START_DEG), times, rtol=1e-8)
    knots = len(shapes) - 1
    p = plant(max_segment_deg=10.0, knots=knots, **coils(motor))
    s = state(START_DEG, knots)
    samples = run(p, s, Drive(pwm_s=pwm_s, duty=duty), times, shapes)
    # The contract of test_against_scipy.py; lines instead of a sine add 1/71^2.
    np.testing.assert_allclose(samples[:, 1], wanted[:, 3], rtol=5e-4)
    assert float(s["square_A2s"]) == pytest.approx(wanted[-1, 6], rel=2e-3)  # of the three coils
    assert float(s["copper_J"]) == pytest.approx(wanted[-1, 8], rel=2e-3)
    assert float(s["supply_J"]) == pytest.approx(wanted[-1, 5], rel=2e-3)
    assert abs(imbalance(p, s)) < 1e-3


@pytest.mark.parametrize("motor", [BOARD, {**BOARD, **UNEQUAL}])
def test_the_current_that_goes_round_is_that_of_the_branches(motor: dict[str, Any]) -> None:
    # Coasting below the diodes: the sum of the trapezoids drives it alone.
    model = second(motor, shape=second_flat_top)
    bridge = Bridge(model, corner=math.pi / 6.0)
    bridge.asked = lambda _step, _on: [None, None, None]  # type: ignore[method-assign]
    times = np.linspace(1e-4, 0.01, 60)
    wanted = bridge.run(model.start(START_DEG, 800.0), times, rtol=1e-9)
    p, s = plant(max_segment_deg=2.0, knots=12, **coils(motor)), state(START_DEG, 12, omega_rad_s=800.0)
    rounds = []
    for at_s in times:
        run(p, s, COASTING, at_s, TRAPEZOIDS)
        rounds.append(float(s["round_A"]))
    largest = np.abs(wanted[:, 0]).max()
    assert largest > 0.02
    np.testing.assert_allclose(rounds, wanted[:, 0], atol=2e-3 * largest)
    assert float(s["omega_rad_s"]) == pytest.approx(wanted[-1, 3], rel=1e-5)  # it brakes the rotor


def test_sines_send_nothing_round_and_look_like_a_star_from_outside() -> None:
    # The closed-form equivalent: coils of R / 3, L / 3 and ke / sqrt 3 in a star.
    np.testing.assert_allclose(SINES[:, CIRCULATING], 0.0, atol=1e-12)
    star_shapes = table(sine(FINE), FINE)
    np.testing.assert_allclose(SINES[:, :3] * math.sqrt(3.0), star_shapes[:, :3], atol=1e-12)
    times = np.linspace(0.01, 0.1, 10)
    p, s = plant(knots=FINE, **coils(BOARD)), state(START_DEG, FINE)
    delta = run(p, s, Drive(), times, SINES)
    star = coils(BOARD, delta=0, ke_V_s_per_rad=BOARD["ke_V_s_per_rad"] / math.sqrt(3.0))
    other = state(START_DEG, FINE)
    alike = run(plant(knots=FINE, **star), other, Drive(), times, star_shapes)
    np.testing.assert_allclose(delta[:, 1], alike[:, 1], rtol=1e-9)  # the same operations in another order
    assert float(s["copper_J"]) == pytest.approx(float(other["copper_J"]), rel=1e-9)


def test_a_held_delta_shares_its_current_two_to_one() -> None:
    # 2 R / 3 between two terminals; 2/3 of the current in the coil between them, 1/3 in the two in series.
    p, s = plant(stiction_Nm=HELD_Nm, knots=12, **coils(BOARD_MOTOR)), state(30.0, 12)
    samples = run(p, s, Drive(step=0), 1e-3, TRAPEZOIDS)
    ohm = 2.0 * BOARD_MOTOR["resistance_ohm"] / 3.0 + 2.0 * BOARD_MOTOR["switch_ohm"]
    line_A = BOARD_MOTOR["supply_V"] / ohm
    assert samples[0, 3] == pytest.approx(line_A, rel=1e-12)
    assert float(s["peak_A"]) == pytest.approx(2.0 / 3.0 * line_A, rel=1e-9)
    # Heat per second of the coils: (4/9 + 2/9) i^2.
    early_J, early_A2s = float(s["copper_J"]), float(s["square_A2s"])
    run(p, s, Drive(step=0), 2e-3, TRAPEZOIDS)
    assert (float(s["square_A2s"]) - early_A2s) / 1e-3 == pytest.approx(2.0 / 3.0 * line_A**2, rel=1e-9)
    heat_W = (float(s["copper_J"]) - early_J) / 1e-3
    assert heat_W == pytest.approx(BOARD_MOTOR["resistance_ohm"] * 2.0 / 3.0 * line_A**2, rel=1e-9)


@pytest.mark.parametrize(
    ("shapes", "factor"),
    [
        (trapezoid(), 2.0),  # two flat tops in series
        (
            TRAPEZOIDS,
            7.0 / 6.0,
        ),  # one, less a third of the sum of all three, -1/2 in the mean: that goes round
        (table(sine(FINE), FINE), math.sqrt(3.0) * 3.0 / math.pi),  # 3 / pi: mean of a sine over 60 degrees
        (SINES, 3.0 / math.pi),
    ],
)
def test_the_constant_between_the_terminals(shapes: NDArray[np.float64], factor: float) -> None:
    # Hanselman (from memory): 2 in a star; in a delta 1, where no current goes round. The mean of a sine
    # over the six-step window is 0.9549 of its peak.
    assert terminal_factor(shapes) == pytest.approx(factor, rel=2e-4)  # lines instead of a sine


def test_delta_instead_of_star_trades_current_for_speed() -> None:
    # The same coils on the same volts, unloaded and without inductance: sqrt 3 of the speed.
    light = {"inductance_H": 1e-9, "inertia_kg_m2": 3e-9}
    motor = {**BOARD_MOTOR, **light}
    star = run(plant(knots=FINE, **motor), state(30.0, FINE), Drive(), 0.5, table(sine(FINE), FINE))
    delta = run(plant(knots=FINE, **coils(motor)), state(30.0, FINE), Drive(), 0.5, SINES)
    assert delta[0, 1] / star[0, 1] == pytest.approx(math.sqrt(3.0), rel=1e-3)
