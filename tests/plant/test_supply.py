"""Supply, battery, dead time, low-side PWM and over-current trip against closed forms and the solver."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sim.plant.records import (
    HIGH,
    LOW,
    OFF,
    SWITCHED_COMPLEMENTARY,
    SWITCHED_HIGH_SIDE,
    SWITCHED_LOW_SIDE,
)
from sim.run.plant_records import BUS_PART
from tests.plant.harness import (
    BOARD_MOTOR,
    COASTING,
    FRICTION,
    WINDING_MOTOR,
    Drive,
    HELD_Nm,
    imbalance,
    kinetic_J,
    plant,
    run,
    state,
)
from tests.plant.reference import BUS, OMEGA, SQUARE, SUPPLY
from tests.plant.reference_bridge import Bridge
from tests.plant.test_against_scipy import reference

PATH_OHM = 2.0 * (BOARD_MOTOR["resistance_ohm"] + BOARD_MOTOR["switch_ohm"])
TAU_S = 2.0 * BOARD_MOTOR["inductance_H"] / PATH_OHM
VOLTS, DROP = BOARD_MOTOR["supply_V"], BOARD_MOTOR["diode_V"]
SOFT = {"supply_ohm": 0.4, "bulk_F": 2e-4}
"""A tenth of the motor's own resistance, and a time constant of 80 us."""
CHOP_S = 50e-6
BOARD, WINDING = {**BOARD_MOTOR, **FRICTION}, {**WINDING_MOTOR, "fan_Nm_s2_per_rad2": 2e-7}
# motor, fields of PLANT, what the second model and its bridge are told, duty, end of the run
CASES: dict[str, tuple[dict[str, float], dict[str, Any], dict[str, Any], dict[str, Any], float, float]] = {
    "soft supply": (BOARD, SOFT, SOFT, {}, 1.0, 0.06),
    "soft supply, chopped": (BOARD, SOFT, SOFT, {}, 0.5, 0.008),
    "soft supply, iron motor": (WINDING, SOFT, SOFT, {}, 1.0, 0.06),
    "low side": (BOARD, {"pwm_mode": SWITCHED_LOW_SIDE}, {}, {"chops": "low"}, 0.5, 0.008),
    "low side, iron motor": (WINDING, {"pwm_mode": SWITCHED_LOW_SIDE}, {}, {"chops": "low"}, 0.5, 0.02),
    "both switches": (BOARD, {"pwm_mode": SWITCHED_COMPLEMENTARY}, {}, {"chops": "both"}, 0.5, 0.008),
    "both, dead time": (
        BOARD, {"pwm_mode": SWITCHED_COMPLEMENTARY, "dead_s": 2e-6}, {}, {"chops": "both", "dead_s": 2e-6},
        0.5, 0.008,
    ),
    "both, dead time, iron motor": (
        WINDING, {"pwm_mode": SWITCHED_COMPLEMENTARY, "dead_s": 2e-6}, {},
        {"chops": "both", "dead_s": 2e-6}, 0.5, 0.02,
    ),
    "over-current trip": (WINDING, {"trip_A": 6.0}, {}, {"trip_A": 6.0}, 0.9, 0.012),
}  # fmt: skip
"""The run with trips ends where the comparator meets the end of the duty: from there on, whether a period
trips hangs on the last digit."""


@pytest.mark.parametrize("case", CASES)
def test_supply_and_bridge_act_as_in_the_solver(case: str) -> None:
    motor, fields, words, bridge, duty, end_s = CASES[case]
    times = end_s * np.arange(1, 11) / 10.0
    second = replace(reference(motor), **words)
    pwm_s = CHOP_S if duty < 1.0 else 0.0
    solver = Bridge(second, pwm_s, duty, **bridge)
    wanted = solver.run(second.start(20.0), times, rtol=1e-8)
    longest_s = BUS_PART * 8e-5 if "supply_ohm" in fields else 1e-4  # as assembled for every run
    p, s = plant(max_segment_deg=20.0, max_segment_s=longest_s, **{**motor, **fields}), state(20.0)
    samples = run(p, s, Drive(pwm_s=pwm_s, duty=duty), times)
    # The contract of test_against_scipy.py: 0.05 % of speed, 0.2 % of heat and energy.
    np.testing.assert_allclose(samples[:, 1], wanted[:, 3], rtol=5e-4)
    assert float(s["square_A2s"]) == pytest.approx(wanted[-1, 6], rel=2e-3)
    assert float(s["supply_J"]) == pytest.approx(wanted[-1, 5], rel=2e-3)
    assert int(s["trips"]) == solver.trips
    assert abs(imbalance(p, s)) < 1e-3
    if "supply_ohm" in fields and duty == 1.0:
        bus_V = float(p["supply_V"] - s["sag_V"])
        assert bus_V == pytest.approx(wanted[-1, 7], abs=0.02 * (motor["supply_V"] - wanted[:, 7].min()))


STEP_S, END_S = 0.004, 0.006
STEPPED = {"supply_steps": 1, "supply_step_s": [STEP_S]}


@pytest.mark.parametrize("part", [0.4, 1.5])
@pytest.mark.parametrize("soft", [False, True])
@pytest.mark.parametrize("duty", [1.0, 0.5])
def test_a_step_of_the_supply_acts_as_in_the_solver(part: float, soft: bool, duty: float) -> None:
    """To 40 %, a level of IEC 61000-4-29 (from memory), the rotor feeds the supply through the diodes. The
    solver is stopped at the step and begun again with the other voltage."""
    words = SOFT if soft else {}
    second, pwm_s = replace(reference(WINDING), **words), CHOP_S if duty < 1.0 else 0.0
    early, late = np.array([0.002, STEP_S]), np.linspace(STEP_S, END_S, 5)[1:]
    first = Bridge(second, pwm_s, duty).run(second.start(20.0, 1500.0), early, rtol=1e-8)
    stepped, at_step = replace(second, supply=part * second.supply), first[-1].copy()
    if not soft:
        at_step[BUS] = stepped.supply
    wanted = np.vstack([first, Bridge(stepped, pwm_s, duty).run(at_step, late - STEP_S, rtol=1e-8)])
    fields = {**WINDING, **words, **STEPPED, "supply_drop_V": [(1.0 - part) * second.supply]}
    longest_s = BUS_PART * 8e-5 if soft else 1e-4
    p = plant(max_segment_deg=20.0, max_segment_s=longest_s, **fields)
    s = state(20.0, omega_rad_s=1500.0)
    samples = run(p, s, Drive(pwm_s=pwm_s, duty=duty), np.concatenate([early, late]))
    # The contract of test_against_scipy.py, on the energy of the rotor in place of that of the supply, of
    # which some comes back.
    start_J = kinetic_J(p, state(20.0, omega_rad_s=1500.0))
    np.testing.assert_allclose(samples[:, 1], wanted[:, OMEGA], rtol=5e-4)
    assert float(s["square_A2s"]) == pytest.approx(wanted[-1, SQUARE], rel=2e-3)
    assert float(s["supply_J"]) == pytest.approx(wanted[-1, SUPPLY], abs=2e-3 * start_J)
    assert abs(imbalance(p, s, start_J)) < 1e-3


def test_a_coasting_rotor_feeds_a_supply_that_falls_below_its_back_emf() -> None:
    heavy = {**BOARD_MOTOR, "inertia_kg_m2": 1e-3}
    p = plant(**heavy, **STEPPED, supply_drop_V=[0.8 * VOLTS])
    s = state(30.0, omega_rad_s=5000.0)
    run(p, s, COASTING, STEP_S)
    assert float(s["peak_A"]) == 0.0
    samples = run(p, s, COASTING, STEP_S + np.linspace(0.001, 0.05, 200))
    # Two flat tops in series drive the current through two diodes; in the middle of their 60 degrees, 15 time
    # constants long, no third terminal takes part.
    drive_V = 2.0 * heavy["ke_V_s_per_rad"] * 5000.0 - 0.2 * VOLTS - 2.0 * DROP
    place_deg = np.degrees(samples[:, 2]) % 60.0
    middle = samples[(place_deg > 25.0) & (place_deg < 35.0), 3:6]
    assert len(middle) > 20
    # six time constants or more after the commutation, exp(-6) = 2.5e-3 of a part of the current is left
    np.testing.assert_allclose(np.abs(middle).max(axis=1), drive_V / PATH_OHM, rtol=1e-3)
    assert float(s["supply_J"]) < 0.0
    assert abs(imbalance(p, s, kinetic_J(p, state(30.0, omega_rad_s=5000.0)))) < 1e-5


def test_the_current_of_a_held_rotor_goes_over_from_one_voltage_to_the_other() -> None:
    p = plant(stiction_Nm=HELD_Nm, **STEPPED, supply_drop_V=[0.6 * VOLTS])
    s = state()
    after_s = np.array([0.0, 1.0, 2.0, 4.0]) * TAU_S
    samples = run(p, s, Drive(step=0), STEP_S + after_s)
    # 100 time constants lie before the step: V1 / R, then V2 / R + (V1 - V2) / R exp(-t / tau).
    wanted_A = VOLTS / PATH_OHM * (0.4 + 0.6 * np.exp(-after_s / TAU_S))
    np.testing.assert_allclose(samples[:, 3], wanted_A, rtol=1e-9)
    assert float(s["deepest_sag_V"]) == pytest.approx(0.6 * VOLTS, rel=1e-12)


def test_the_bulk_capacitor_follows_a_step_with_r_c() -> None:
    p = plant(stiction_Nm=HELD_Nm, max_segment_s=8e-6, **SOFT, **STEPPED, supply_drop_V=[-0.5 * VOLTS])
    s = state()
    run(p, s, COASTING, STEP_S + 8e-5)
    assert float(s["sag_V"]) == pytest.approx(-0.5 * VOLTS * (1.0 - math.exp(-1.0)), rel=1e-9)


def test_a_stalled_motor_pulls_its_supply_down_to_the_divider() -> None:
    p, s = plant(stiction_Nm=HELD_Nm, max_segment_s=8e-6, **SOFT), state()
    run(p, s, Drive(step=0), 0.01)
    # 100 time constants on: V = E R_motor / (R_motor + R_supply).
    assert float(s["sag_V"]) == pytest.approx(VOLTS * 0.4 / (PATH_OHM + 0.4), rel=1e-9)
    assert abs(imbalance(p, s)) < 1e-4


def test_the_bulk_capacitor_charges_with_r_c_once_the_load_is_off() -> None:
    p, s = plant(stiction_Nm=HELD_Nm, max_segment_s=8e-6, **SOFT), state()
    run(p, s, Drive(step=0), 0.01)
    run(p, s, COASTING, 0.0101)  # the freewheel is over after 4 us
    early = float(s["sag_V"])
    run(p, s, COASTING, 0.0102)
    assert float(s["sag_V"]) == pytest.approx(early * math.exp(-1e-4 / 8e-5), rel=1e-9)


def test_the_voltage_at_the_bridge_is_of_second_order() -> None:
    def end(length_s: float) -> tuple[float, float]:
        p = plant(max_segment_deg=20.0, max_segment_s=length_s, **{**BOARD, **SOFT})
        s = state(20.0)
        omega = run(p, s, Drive(), 0.02)[0, 1]
        return float(omega), float(s["supply_J"])

    truth = np.array(end(1e-7))
    lengths = np.array([1.6e-5, 8e-6, 4e-6, 2e-6])
    errors = np.array([np.abs(np.array(end(h)) / truth - 1.0).max() for h in lengths])
    assert np.polyfit(np.log(lengths), np.log(errors), 1)[0] == pytest.approx(2.0, abs=0.3)


def test_a_braking_rotor_pumps_the_supply_up() -> None:
    motor = {**WINDING_MOTOR, "inertia_kg_m2": 1e-5}
    p = plant(max_segment_s=8e-6, supply_ohm=5.0, bulk_F=1e-4, **motor)
    s = state(30.0, omega_rad_s=1800.0)
    start_J = 0.5 * 1e-5 * 1800.0**2
    run(p, s, COASTING, 0.01)
    assert float(s["sag_V"]) < -1.0
    assert float(s["supply_J"]) < 0.0
    assert abs(imbalance(p, s, start_J)) < 1e-4


def test_a_battery_sags_by_its_second_resistance_and_recovers() -> None:
    slow = {"sag_ohm": 0.6, "sag_s": 0.2}
    p, s = plant(stiction_Nm=HELD_Nm, max_segment_s=1e-4, supply_ohm=0.4, bulk_F=1e-3, **slow), state()
    run(p, s, Drive(step=0), 4.0)
    # Twenty time constants: both resistances in series with the motor.
    assert float(s["sag_V"]) == pytest.approx(VOLTS * 1.0 / (PATH_OHM + 1.0), rel=1e-6)
    peak_V = float(s["polarised_V"])
    run(p, s, COASTING, 4.2)
    # exp(-1) after one time constant; the capacitor charges with 0.4 ms first, which leaves 0.5 %.
    assert float(s["polarised_V"]) == pytest.approx(peak_V * math.exp(-1.0), rel=6e-3)


def test_a_battery_fades_with_the_charge_taken() -> None:
    p = plant(stiction_Nm=HELD_Nm, supply_ohm=0.4, bulk_F=1e-3, fade_V_per_As=0.05)
    s = state()
    run(p, s, Drive(step=0), 2.0)
    # dQ/dt = (E0 - k Q) / R: Q = E0 / k (1 - exp(-k t / R)).
    whole = PATH_OHM + 0.4
    charge = VOLTS / 0.05 * -math.expm1(-0.05 * 2.0 / whole)
    # The capacitor's own charge, 1e-3 F times half a volt.
    assert float(s["drawn_A_s"]) == pytest.approx(charge, rel=1e-3)


@pytest.mark.parametrize(
    ("mode", "diode"), [(SWITCHED_HIGH_SIDE, [LOW, OFF, OFF]), (SWITCHED_LOW_SIDE, [OFF, HIGH, OFF])]
)
def test_in_the_off_time_the_chopped_leg_freewheels_through_the_other_rail(
    mode: int, diode: list[int]
) -> None:
    start_A = VOLTS / PATH_OHM * -math.expm1(-10.0)
    after_s = 0.1 * TAU_S
    p = plant(stiction_Nm=HELD_Nm, pwm_mode=mode)
    chop = Drive(step=0, pwm_s=100.0 * TAU_S, duty=0.1)
    samples = run(p, state(), chop, 10.0 * TAU_S + after_s)
    # One diode against the current in both: i = (i0 + Vd / R) exp(-t / tau) - Vd / R.
    expected = (start_A + DROP / PATH_OHM) * math.exp(-0.1) - DROP / PATH_OHM
    assert samples[0, 3] == pytest.approx(expected, rel=1e-9)
    assert samples[0, 6:9].tolist() == diode


def test_in_the_dead_time_the_diode_takes_the_current() -> None:
    dead_s, on_s = 0.5 * TAU_S, 10.0 * TAU_S
    p = plant(stiction_Nm=HELD_Nm, pwm_mode=SWITCHED_COMPLEMENTARY, dead_s=dead_s)
    s = state()
    start_A = VOLTS / PATH_OHM * -math.expm1(-10.0)
    chop = Drive(step=0, pwm_s=100.0 * TAU_S, duty=0.1)
    samples = run(p, s, chop, on_s + dead_s * np.array([0.999, 1.001]))
    dead_A = (start_A + DROP / PATH_OHM) * np.exp(-0.5 * np.array([0.999])) - DROP / PATH_OHM
    np.testing.assert_allclose(samples[:1, 3], dead_A, rtol=1e-9)
    assert samples[:, 6].tolist() == [LOW, OFF]  # then the switch
    charge_C = float(s["diode_J"]) / DROP
    # Charge through the diode: the integral of the line above.
    full = (start_A + DROP / PATH_OHM) * TAU_S * -math.expm1(-0.5) - DROP / PATH_OHM * dead_s
    assert charge_C == pytest.approx(full, rel=1e-9)


def test_the_comparator_cuts_a_stalled_motors_current_at_its_threshold() -> None:
    period_s = 20.0 * TAU_S
    p, s = plant(stiction_Nm=HELD_Nm, trip_A=1.0), state()
    run(p, s, Drive(step=0, pwm_s=period_s, duty=0.9), 50.5 * period_s)
    # The current has died in each off time: every period trips once, at 1 A and not beyond.
    assert int(s["trips"]) == 51
    assert float(s["peak_A"]) == pytest.approx(1.0, rel=1e-9)


def test_without_current_to_speak_of_it_never_trips() -> None:
    p, s = plant(stiction_Nm=HELD_Nm, trip_A=1.01 * VOLTS / PATH_OHM), state()
    run(p, s, Drive(step=0, pwm_s=20.0 * TAU_S, duty=0.9), 20e-3)
    assert int(s["trips"]) == 0
