"""Diodes against closed forms: freewheel in the PWM off time, the floating phase, and energy going back.

Derived here from v = R i + L di/dt + e around the loop that conducts. R' is phase resistance plus switch:
the plant takes a diode as a drop behind the switch's resistance. The board motor's supply is 5 V, its diode
drop 0.7 V.
"""

import math

import numpy as np
import pytest

from sim.plant.records import LOW, OFF, SWITCHED_COMPLEMENTARY, SWITCHED_HIGH_SIDE
from tests.plant.harness import (
    BOARD_MOTOR,
    COASTING,
    IDEAL,
    WINDING_MOTOR,
    Drive,
    HELD_Nm,
    imbalance,
    kinetic_J,
    plant,
    run,
    state,
)

PATH_OHM = 2.0 * (BOARD_MOTOR["resistance_ohm"] + BOARD_MOTOR["switch_ohm"])
TAU_S = 2.0 * BOARD_MOTOR["inductance_H"] / PATH_OHM
VOLTS, DROP = BOARD_MOTOR["supply_V"], BOARD_MOTOR["diode_V"]
KE = BOARD_MOTOR["ke_V_s_per_rad"]
ON_S = 10.0 * TAU_S
ONE_CHOP = Drive(step=0, pwm_s=100.0 * TAU_S, duty=0.1)
"""Ten time constants on, then off for longer than any current lasts."""
HEAVY_kg_m2 = 1e3
"""A rotor that nothing here slows by a part in 1e9: its speed is given."""
SHORT_L_H = 1e-9
"""An inductance whose time constant of 0.5 ns makes each commutation a millionth of the step time at most."""


def test_in_the_off_time_the_current_dies_against_one_diode() -> None:
    start_A = VOLTS / PATH_OHM * -math.expm1(-10.0)
    against_A = DROP / PATH_OHM
    gone_s = TAU_S * math.log1p(start_A / against_A)
    after_s = gone_s * np.array([0.25, 0.5, 0.999, 1.001])
    p = plant(stiction_Nm=HELD_Nm, pwm_mode=SWITCHED_HIGH_SIDE)
    samples = run(p, state(), ONE_CHOP, ON_S + after_s)
    expected = (start_A + against_A) * np.exp(-after_s[:3] / TAU_S) - against_A
    # The last current is a thousandth of a time constant from zero, known to the rounding of times of 70 us.
    np.testing.assert_allclose(samples[:3, 3], expected, rtol=1e-9)
    assert samples[:, 6].tolist() == [LOW, LOW, LOW, OFF]
    assert not samples[3, 3:6].any()


def test_a_complementary_switch_leaves_the_current_to_the_resistance() -> None:
    start_A = VOLTS / PATH_OHM * -math.expm1(-10.0)
    after_s = TAU_S * np.array([0.5, 2.0, 8.0])
    p = plant(stiction_Nm=HELD_Nm, pwm_mode=SWITCHED_COMPLEMENTARY)
    samples = run(p, state(), ONE_CHOP, ON_S + after_s)
    # Exact segments: the rounding of the times alone.
    np.testing.assert_allclose(samples[:, 3], start_A * np.exp(-after_s / TAU_S), rtol=1e-11)
    assert not samples[:, 6:9].any()


def test_the_heat_of_a_freewheel_is_the_magnetic_energy_and_what_the_supply_takes() -> None:
    # Held rotor, both legs off: the charge Q = (V + 2 Vd) form of the loop integrates to 2 L i0 = R_tt Q +
    # (V + 2 Vd) t0.
    p, s = plant(stiction_Nm=HELD_Nm), state()
    start_A = run(p, s, Drive(step=0), ON_S)[0, 3]
    before = {name: float(s[name]) for name in ("supply_J", "diode_J")}
    against_V = VOLTS + 2.0 * DROP
    gone_s = TAU_S * math.log1p(start_A * PATH_OHM / against_V)
    charge_C = (2.0 * BOARD_MOTOR["inductance_H"] * start_A - against_V * gone_s) / PATH_OHM
    run(p, s, COASTING, ON_S + 2.0 * gone_s)
    # Differences of sums of 1e-4 J: twelve digits of 1e-6 J are left.
    assert float(s["supply_J"]) - before["supply_J"] == pytest.approx(-VOLTS * charge_C, rel=1e-9)
    assert float(s["diode_J"]) - before["diode_J"] == pytest.approx(2.0 * DROP * charge_C, rel=1e-9)
    assert abs(imbalance(p, s)) < 1e-12  # every integral is exact while the rotor stands


@pytest.mark.parametrize("over", [1.05, 1.5, 3.0])
def test_the_floating_phase_conducts_at_the_angle_where_its_voltage_passes_a_rail(over: float) -> None:
    # Step 0, flat tops: the star point is at V / 2, and C falls from +E to -E across the step. It passes
    # the lower diode where E (2 x - 1) = V / 2 + Vd, x the part of the step. `over`: E over V / 2 + Vd.
    omega = over * (VOLTS / 2.0 + DROP) / KE
    turn_on_deg = 60.0 * 0.5 * (1.0 + 1.0 / over)
    start_deg = 30.0
    p = plant(inertia_kg_m2=HEAVY_kg_m2)
    on_s = math.radians(turn_on_deg - start_deg) / (BOARD_MOTOR["pole_pairs"] * omega)
    # The margin against flicker is 2e-7 V of E = 3 V and more.
    times = on_s * (1.0 + np.array([-1e-6, 1e-6]))
    samples = run(p, state(start_deg, omega_rad_s=omega), Drive(step=0), times)
    assert samples[:, 8].tolist() == [OFF, LOW]


def test_the_floating_phase_stays_silent_below_that_speed() -> None:
    # A tenth of a degree on, no earlier freewheel; E is 0.999 of V / 2 + Vd.
    omega = 0.999 * (VOLTS / 2.0 + DROP) / KE
    p = plant(inertia_kg_m2=HEAVY_kg_m2)
    end_s = math.radians(59.9 - 0.1) / (BOARD_MOTOR["pole_pairs"] * omega)
    samples = run(p, state(0.1, omega_rad_s=omega), Drive(step=0), np.linspace(0.01, 1.0, 200) * end_s)
    assert not samples[:, 8].any()


def test_a_rotor_driven_faster_than_the_supply_feeds_it_through_the_switches() -> None:
    # V / 2 < E < V / 2 + Vd: no diode helps, I = (V - 2 E) / R_tt < 0 throughout.
    emf_V = VOLTS / 2.0 + 0.5 * DROP
    p, s = plant(inertia_kg_m2=HEAVY_kg_m2, inductance_H=SHORT_L_H), state(omega_rad_s=emf_V / KE)
    run(p, s, IDEAL, 0.02)
    current_A = (VOLTS - 2.0 * emf_V) / PATH_OHM
    # Each of the 12,000 or so commutations per second misses a few time constants of 0.5 ns: 1e-5 of the
    # time.
    assert float(s["supply_J"]) == pytest.approx(VOLTS * current_A * 0.02, rel=1e-4)
    assert float(s["copper_J"] + s["switch_J"]) == pytest.approx(PATH_OHM * current_A**2 * 0.02, rel=1e-4)


def test_all_off_it_is_a_rectifier_with_overlap() -> None:
    # Two phases are at their flat tops at any time, the third is at g E, g from -1 to 1 in proportion to
    # the angle. With U = V / 2 + Vd and R' of one path, two phases give I = (E - U) / R'. Where |g| E > U
    # the third joins one of them: then I = (E (3 + |g|) - 4 U) / (3 R'). The mean over g adds E (1 - U /
    # E)^2 / (6 R').
    threshold_V = VOLTS / 2.0 + DROP
    emf_V = 1.5 * threshold_V
    p, s = plant(inertia_kg_m2=HEAVY_kg_m2, inductance_H=SHORT_L_H), state(omega_rad_s=emf_V / KE)
    run(p, s, COASTING, 0.02)
    overlap_V = emf_V * (1.0 - threshold_V / emf_V) ** 2 / 6.0
    current_A = (emf_V - threshold_V + overlap_V) / (PATH_OHM / 2.0)
    # 26,000 commutations per second, each a few time constants of 0.5 ns; 87 turns are not quite whole: 1e-4.
    assert float(s["supply_J"]) == pytest.approx(-VOLTS * current_A * 0.02, rel=1e-4)
    assert float(s["diode_J"]) == pytest.approx(2.0 * DROP * current_A * 0.02, rel=1e-4)


@pytest.mark.parametrize("omega", [12000.0, -12000.0])
def test_braking_does_not_depend_on_the_sense_of_rotation(omega: float) -> None:
    # The mirror image of a rotor at phi is one at 180 - phi with two phases exchanged.
    p, s = plant(), state(100.0 if omega > 0.0 else 80.0, omega_rad_s=omega)
    start_J = kinetic_J(p, s)
    samples = run(p, s, COASTING, 0.05)
    mirrored_s = state(80.0 if omega > 0.0 else 100.0, omega_rad_s=-omega)
    mirrored = run(p, mirrored_s, COASTING, 0.05)
    # Corners are met within 1e-6 rad from either side; currents turn over by that part of a radian of 2 A.
    assert samples[0, 1] == pytest.approx(-mirrored[0, 1], rel=1e-9)
    np.testing.assert_allclose(np.sort(samples[0, 3:6]), np.sort(mirrored[0, 3:6]), atol=1e-5)
    assert abs(imbalance(p, s, start_J)) < 1e-9  # the speed hardly changes within a segment


STUBBORN = {
    # Two floating terminals beyond the same rail at once: the further one brings the other back.
    "two beyond one rail": (
        {"pole_pairs": 5, "ke_V_s_per_rad": 6.7349e-5, "inductance_H": 7.6332e-6, "supply_V": 11.6648},
        Drive(step=1, pwm_s=50e-6, duty=0.52), -129942.0, 4.0,
    ),
    # A diode that turns on and off again within one segment: its current grows from zero and returns to it.
    "a short pulse": (
        {
            "pole_pairs": 4, "resistance_ohm": 0.166234755, "switch_ohm": 0.02, "inductance_H": 8.4831e-5,
            "ke_V_s_per_rad": 0.0583057, "inertia_kg_m2": 4.5966e-7, "coulomb_Nm": 0.0015, "stiction_Nm":
            0.0024, "supply_V": 27.1178, "diode_V": 0.6, "fan_Nm_s2_per_rad2": 2e-7, "pwm_mode":
            SWITCHED_COMPLEMENTARY,
        },
        Drive(lead=3), 434.6, 20.0,
    ),
    # The rectifier's last pulse: one diode goes out, and the other of the pair must follow.
    "the last pulse of a rectifier": (
        {**WINDING_MOTOR, "pole_pairs": 6, "fan_Nm_s2_per_rad2": 2e-7}, COASTING, 1830.508474576271, 20.0,
    ),
}  # fmt: skip
"""Found at random, each once a stop for lack of progress."""


@pytest.mark.parametrize("case", STUBBORN)
def test_diodes_never_flicker_without_end(case: str) -> None:
    motor, drive, omega, length_deg = STUBBORN[case]
    for phi_deg in np.arange(0.0, 360.0, 1.5):
        p, s = plant(max_segment_deg=length_deg, **motor), state(phi_deg, omega_rad_s=omega)
        samples = run(p, s, drive, np.linspace(0.001, 0.005, 5))  # fails where the plant gets stuck
        # The current that a diode leaves behind goes to the others: rounding of currents of some amperes.
        assert np.abs(samples[:, 3:6].sum(axis=1)).max() < 1e-11 * float(s["peak_A"])
