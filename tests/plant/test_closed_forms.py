"""The plant against closed forms: one mechanism at a time.

Sources: the phase and torque equations of Pillay and Krishnan, IEEE Trans. IA 25(2), 1989, part II (from
    memory), and their
elementary solutions, derived here; terminal model of two phases in series (Hanselman; Krishnan, from
memory): R_tt = 2 R, L_tt = 2 L, Ke_tt = 2 Ke.
"""

import math

import numpy as np
import pytest

from sim.plant.records import LOW
from tests.plant.harness import (
    BOARD_MOTOR,
    COASTING,
    IDEAL,
    RAD_S_PER_RPM,
    Drive,
    HELD_Nm,
    plant,
    run,
    state,
)

PATH_OHM = 2.0 * (BOARD_MOTOR["resistance_ohm"] + BOARD_MOTOR["switch_ohm"])
TAU_S = 2.0 * BOARD_MOTOR["inductance_H"] / PATH_OHM
KE_TT = 2.0 * BOARD_MOTOR["ke_V_s_per_rad"]
VOLTS = BOARD_MOTOR["supply_V"]
SHORT_L_H = 1e-9
"""An inductance whose time constant, under a nanosecond, leaves nothing of the current's rise."""


def test_the_current_of_a_locked_rotor_rises_as_an_exponential() -> None:
    times = np.array([0.2, 0.5, 1.0, 3.0, 10.0]) * TAU_S
    samples = run(plant(stiction_Nm=HELD_Nm), state(), Drive(step=0), times)
    expected = VOLTS / PATH_OHM * -np.expm1(-times / TAU_S)
    # The segment is exact: rounding only.
    np.testing.assert_allclose(samples[:, 3], expected, rtol=1e-12)
    np.testing.assert_allclose(samples[:, 4], -expected, rtol=1e-12)
    assert not samples[:, 5].any()


def test_freewheel_takes_the_current_out_against_supply_and_diodes() -> None:
    # Both legs off: the current returns through two diodes against the supply, R i + L di/dt = -(V + 2 Vd).
    p, s = plant(stiction_Nm=HELD_Nm), state()
    start_A = run(p, s, Drive(step=0), 10.0 * TAU_S)[0, 3]
    against_A = (VOLTS + 2.0 * BOARD_MOTOR["diode_V"]) / PATH_OHM
    out_s = TAU_S * math.log1p(start_A / against_A)
    times = 10.0 * TAU_S + out_s * np.array([0.3, 0.9, 1.001])
    samples = run(p, s, COASTING, times)
    expected = (start_A + against_A) * np.exp(-(times[:2] - 10.0 * TAU_S) / TAU_S) - against_A
    np.testing.assert_allclose(samples[:2, 3], expected, rtol=1e-9)  # differences of times of 70 us
    assert samples[0, 6] == LOW
    assert samples[2, 3] == 0.0


def test_no_load_speed_is_the_supply_over_the_terminal_constant() -> None:
    omega = run(plant(inductance_H=SHORT_L_H), state(), IDEAL, 3.0)[0, 1]
    # Left to go after 3 s of a time constant of 2.3 s (below): computed, not guessed.
    tau_m = 3e-7 * PATH_OHM / KE_TT**2
    assert omega == pytest.approx(VOLTS / KE_TT * -math.expm1(-3.0 / tau_m), rel=1e-4)


def test_no_load_speed_with_friction_loses_the_drop_of_the_idle_current() -> None:
    # n0 = (U - I0 R) / Ke, I0 = T_coulomb / Ke.
    light = {"inertia_kg_m2": 3e-9, "inductance_H": SHORT_L_H, "coulomb_Nm": 5e-5, "stiction_Nm": 5e-5}
    omega = run(plant(**light), state(), IDEAL, 1.0)[0, 1]
    idle_A = 5e-5 / KE_TT
    # The trapezoid commutates within its flat tops; what is left is the few nanoseconds of each commutation.
    assert omega == pytest.approx((VOLTS - idle_A * PATH_OHM) / KE_TT, rel=1e-4)


def test_stall_torque_accelerates_the_rotor() -> None:
    # T = Ke_tt U / R_tt; measured by the speed gained in a time too short for
    # back-EMF, after the current has risen.
    p, s = plant(inductance_H=SHORT_L_H), state()
    omega = run(p, s, Drive(step=0), 1e-4)[0, 1]
    # The back-EMF of the speed gained takes half of its part off: 1e-4 / (2 tau_m) = 2e-5.
    assert omega == pytest.approx(KE_TT * VOLTS / PATH_OHM / 3e-7 * 1e-4, rel=1e-4)


@pytest.mark.parametrize("times", [0.5, 1.0, 2.0])
def test_the_speed_rises_with_the_mechanical_time_constant(times: float) -> None:
    # tau_m = R_tt J / Ke_tt^2.
    tau_m = 3e-7 * PATH_OHM / KE_TT**2
    omega = run(plant(inductance_H=SHORT_L_H), state(), IDEAL, times * tau_m)[0, 1]
    assert omega == pytest.approx(VOLTS / KE_TT * -math.expm1(-times), rel=1e-4)


def test_coulomb_friction_stops_a_coasting_rotor_on_a_straight_line() -> None:
    p, s = plant(coulomb_Nm=3e-5, stiction_Nm=3e-5), state(omega_rad_s=200.0)
    samples = run(p, s, COASTING, np.array([0.5, 1.5, 1.9999, 2.5]))
    # J d omega / dt = -T: 100 rad/s per second.
    np.testing.assert_allclose(samples[:, 1], [150.0, 50.0, 0.01, 0.0], atol=1e-6)


def test_viscous_friction_stops_a_coasting_rotor_exponentially() -> None:
    p, s = plant(viscous_Nm_s_per_rad=3e-7), state(omega_rad_s=500.0)
    assert run(p, s, COASTING, 1.3)[0, 1] == pytest.approx(500.0 * math.exp(-1.3), rel=1e-8)


def test_windage_stops_a_coasting_rotor_hyperbolically() -> None:
    p, s = plant(windage_Nm_s2_per_rad2=1e-9), state(omega_rad_s=500.0)
    # d omega / dt = -k omega^2 / J; 1 / omega grows linearly.
    expected = 1.0 / (1.0 / 500.0 + 1e-9 / 3e-7 * 2.0)
    assert run(p, s, COASTING, 2.0)[0, 1] == pytest.approx(expected, rel=1e-8)


def test_stiction_holds_until_the_current_has_risen_enough() -> None:
    # Torque Ke_tt i reaches stiction at t = -tau ln(1 - T R / (Ke U)); the rotor
    # stands before and turns after.
    stall_Nm = KE_TT * VOLTS / PATH_OHM
    away_s = -TAU_S * math.log1p(-0.8)
    held = plant(stiction_Nm=0.8 * stall_Nm, coulomb_Nm=0.1 * stall_Nm)
    samples = run(held, state(), Drive(step=0), away_s * np.array([0.999999, 1.000001, 1.1]))
    assert samples[0, 1] == 0.0
    assert samples[1, 1] > 0.0
    assert samples[2, 1] > samples[1, 1]


def test_stiction_above_the_stall_torque_holds_for_good() -> None:
    stall_Nm = KE_TT * VOLTS / PATH_OHM
    samples = run(plant(stiction_Nm=1.001 * stall_Nm), state(), Drive(step=0), 1.0)
    assert samples[0, 1] == 0.0


@pytest.mark.parametrize(("part", "brakes"), [(0.999, False), (1.001, True)])
def test_a_coasting_rotor_brakes_once_its_voltage_beats_supply_and_two_diodes(
    part: float, brakes: bool
) -> None:
    # All off: current flows only when the line-to-line back-EMF exceeds V + 2 Vd.
    omega = part * (VOLTS + 2.0 * BOARD_MOTOR["diode_V"]) / KE_TT
    p, s = plant(), state(omega_rad_s=omega)
    run(p, s, COASTING, 0.01)
    assert (float(s["supply_J"]) < 0.0) == brakes
    assert (float(s["omega_rad_s"]) < omega) == brakes


def test_a_fan_settles_where_its_torque_meets_the_motors() -> None:
    # Ke_tt (U - Ke_tt w) / R_tt = k w^2, the positive root.
    fan = 60e-6 / (10000.0 * RAD_S_PER_RPM) ** 2
    light = {"inertia_kg_m2": 3e-9, "inductance_H": SHORT_L_H, "fan_Nm_s2_per_rad2": fan}
    omega = run(plant(**light), state(), IDEAL, 1.0)[0, 1]
    linear, constant = KE_TT**2 / PATH_OHM, KE_TT * VOLTS / PATH_OHM
    root = (-linear + math.sqrt(linear**2 + 4.0 * fan * constant)) / (2.0 * fan)
    assert omega == pytest.approx(root, rel=1e-4)
