"""Detents, brakes and locked rotors against closed forms."""

import math

import numpy as np
import pytest

from sim.plant.drag import cogging_mean_Nm, cogging_Nm
from tests.plant.harness import BOARD_MOTOR, COASTING, Drive, imbalance, kinetic_J, plant, run, state

COGS = 24
COG_Nm = 2e-5
TWO_POLE_PAIRS = BOARD_MOTOR["pole_pairs"]
DETENTS = {"cogging_Nm": COG_Nm, "cogs_per_turn": COGS, "detent_rad": math.radians(-30.0)}
"""A detent where phase A's back-EMF crosses zero; 30 electrical degrees of the shaft each."""
HILL_J = 2.0 * COG_Nm / COGS
"""Height of the potential A / N (1 - cos N theta) between two detents (derived)."""
TURN_DEG = 360.0 * TWO_POLE_PAIRS


def test_a_small_swing_about_a_detent_has_the_period_of_a_pendulum() -> None:
    # J theta'' = -A N theta: period 2 pi sqrt(J / (A N)).
    p = plant(max_segment_deg=0.02, max_segment_s=1e-5, **DETENTS)
    inertia = float(p["inertia_kg_m2"])
    period_s = 2.0 * math.pi * math.sqrt(inertia / (COG_Nm * COGS))
    times = period_s * np.array([0.25, 0.5, 0.75, 1.0])
    s = state(1.0 - 30.0 + 30.0)  # 1 electrical degree beyond the detent at 0
    s["knot"], s["u_rad"], s["turns"] = 5, math.radians(31.0), -1
    degrees = np.degrees(run(p, s, COASTING, times)[:, 2]) + 30.0
    # The swing of 12 degrees of a detent's phase: the period is longer by (12 deg)^2 / 16 = 0.3 %, which
    # displaces the quarter points by 0.5 % of the swing times 2 pi / 4.
    np.testing.assert_allclose(degrees, [0.0, -1.0, 0.0, 1.0], atol=0.02)


def test_the_energy_of_a_detent_comes_back() -> None:
    # Coasts over twenty turns of hills half as high as its energy: speed varies, energy does not.
    omega = math.sqrt(2.0 * HILL_J * 2.0 / BOARD_MOTOR["inertia_kg_m2"])
    p, s = plant(max_segment_deg=30.0 / 24.0, **DETENTS), state(0.0, omega_rad_s=omega)
    start_J = kinetic_J(p, s)
    start_Nm = float(cogging_Nm(p, s, 0.0))
    phase = COGS / TWO_POLE_PAIRS * math.radians(30.0)
    assert start_Nm == pytest.approx(-COG_Nm * math.sin(phase), abs=1e-18)
    times = np.linspace(0.1, 20.0, 300) * 2.0 * math.pi / omega
    samples = run(p, s, COASTING, times)
    phases = COGS / TWO_POLE_PAIRS * (samples[:, 2] + math.radians(30.0))
    potential_J = COG_Nm / COGS * (1.0 - np.cos(phases))
    first_J = COG_Nm / COGS * (1.0 - math.cos(phase))
    energy_J = 0.5 * BOARD_MOTOR["inertia_kg_m2"] * samples[:, 1] ** 2 + potential_J
    # 24 segments a detent, as assembled for every run: 1e-3 of the energy over twenty turns.
    np.testing.assert_allclose(energy_J, start_J + first_J, rtol=1e-3)
    assert np.ptp(samples[:, 1]) > 0.2 * omega
    # What is booked as stored is that potential.
    assert float(s["cogging_J"]) == pytest.approx(potential_J[-1] - first_J, abs=1e-3 * HILL_J)
    assert abs(imbalance(p, s, start_J)) < 1e-12


def test_the_mean_of_a_segment_is_the_potential_difference_over_the_angle() -> None:
    p, s = plant(**DETENTS), state(12.0)
    ahead = math.radians(30.0 / 24.0)
    at = COGS / TWO_POLE_PAIRS * (math.radians(12.0 + 30.0) + np.array([0.0, ahead]))
    work = float(np.diff(COG_Nm / COGS * np.cos(at))[0])
    # Simpson's error: (2 pi / 24)^4 / 2880.
    assert float(cogging_mean_Nm(p, s, ahead)) * ahead / TWO_POLE_PAIRS == pytest.approx(work, rel=1e-5)


@pytest.mark.parametrize(("part", "escapes"), [(0.99, False), (1.01, True)])
def test_a_rotor_that_lacks_the_energy_of_a_hill_stays_in_its_detent(part: float, escapes: bool) -> None:
    omega = math.sqrt(2.0 * part * HILL_J / BOARD_MOTOR["inertia_kg_m2"])
    p = plant(max_segment_deg=0.2, **DETENTS)
    s = state(330.0, omega_rad_s=omega)  # in a detent
    travelled = run(p, s, COASTING, np.linspace(0.01, 1.0, 200))[:, 2] - math.radians(330.0)
    assert (travelled.max() > math.radians(30.0)) == escapes


@pytest.mark.parametrize(("part", "moves"), [(0.999, False), (1.001, True)])
def test_stiction_holds_against_a_detent_up_to_its_torque(part: float, moves: bool) -> None:
    # A quarter of a detent's phase away the detent pulls hardest: 7.5 electrical degrees.
    p = plant(stiction_Nm=COG_Nm / part, coulomb_Nm=1e-9, **DETENTS)
    s = state(337.5)
    run(p, s, COASTING, 0.01)
    assert (float(s["omega_rad_s"]) != 0.0) == moves


def test_a_brake_holds_at_rest_and_never_drives() -> None:
    p = plant(load_steps=1, load_step_s=[0.0], load_step_Nm=[3e-5])
    s = state(omega_rad_s=200.0)
    samples = run(p, s, COASTING, np.array([1.0, 1.9999, 2.5, 10.0]))
    # J domega/dt = -T: 100 rad/s per second, and then nothing.
    np.testing.assert_allclose(samples[:, 1], [100.0, 0.01, 0.0, 0.0], atol=1e-6)
    assert float(s["load_J"]) == pytest.approx(0.5 * BOARD_MOTOR["inertia_kg_m2"] * 200.0**2, rel=1e-9)


def test_hysteresis_of_the_iron_takes_the_same_energy_each_turn() -> None:
    # Constant torque over an angle: 2 pi T a turn, at any speed (Steinmetz 1892, from memory: per cycle).
    p, s = plant(inertia_kg_m2=1e3, magnetic_drag_Nm=2e-6), state(omega_rad_s=50.0)
    run(p, s, COASTING, 10 * 2.0 * math.pi / 50.0)
    slow_J = float(s["iron_J"])
    s = state(omega_rad_s=500.0)
    run(p, s, COASTING, 10 * 2.0 * math.pi / 500.0)
    assert slow_J == pytest.approx(10 * 2.0 * math.pi * 2e-6, rel=1e-9)
    assert float(s["iron_J"]) == pytest.approx(slow_J, rel=1e-9)


def test_a_load_step_falls_between_no_two_segments() -> None:
    # The step at 12.3456 ms ends a segment there: speed gained by full torque before, by the rest after.
    p = plant(load_steps=1, load_step_s=[0.0123456], load_step_Nm=[1e-4], inertia_kg_m2=1e-3)
    s = state(omega_rad_s=10.0)
    omega = run(p, s, Drive(step=6), 0.02)[0, 1]
    assert omega == pytest.approx(10.0 - 1e-4 / 1e-3 * (0.02 - 0.0123456), rel=1e-12)
