"""A run that stops beside an event and goes on: where a caller cuts the time must not matter.

The kernel takes an event in the last millionth of a segment for its end; callers cut segments at PWM edges,
timer compares and control ticks, which may fall there.
"""

import math

import numpy as np
import pytest

from tests.plant.harness import BOARD_MOTOR, COASTING, Drive, HELD_Nm, plant, run, state

PATH_OHM = 2.0 * (BOARD_MOTOR["resistance_ohm"] + BOARD_MOTOR["switch_ohm"])
TAU_S = 2.0 * BOARD_MOTOR["inductance_H"] / PATH_OHM
ON_S = 10.0 * TAU_S
START_A = BOARD_MOTOR["supply_V"] / PATH_OHM * -math.expm1(-10.0)
AGAINST_V = BOARD_MOTOR["supply_V"] + 2.0 * BOARD_MOTOR["diode_V"]
GONE_S = TAU_S * math.log1p(START_A * PATH_OHM / AGAINST_V)
"""Closed form, derived: the freewheel of a motor without back-EMF against supply and two diodes."""
NO_EMF = {"ke_V_s_per_rad": 1e-12, "inertia_kg_m2": 1e3}
"""A rotor that turns and neither drives nor is driven."""


@pytest.mark.parametrize("past", [-2e-6, -5e-7, -1e-8, 0.0, 1e-8, 1e-7, 5e-7, 9e-7, 2e-6])
@pytest.mark.parametrize("omega_rad_s", [0.0, 50.0, -50.0])
def test_a_stop_beside_an_extinction_leaves_nothing_behind(past: float, omega_rad_s: float) -> None:
    # `past`: how far the stop lies behind the extinction, as a part of the freewheel.
    p = plant(**NO_EMF) if omega_rad_s else plant(stiction_Nm=HELD_Nm)
    s = state(30.0, omega_rad_s=omega_rad_s)
    run(p, s, Drive(step=0), ON_S)
    times = ON_S + GONE_S * np.array([1.0 + past, 1.5, 3.0])
    samples = run(p, s, COASTING, times)
    assert np.isfinite(samples).all()
    # A diode carries no current backward: at the stop none has turned round but by rounding of the times.
    assert samples[0, 3] >= -1e-12 * START_A
    assert not samples[1:, 3:].any()
    assert samples[:, 1].tolist() == pytest.approx([omega_rad_s] * 3)  # 1e-6, far above what 1e-12 V s can do


@pytest.mark.parametrize("past", [-1e-7, 0.0, 1e-7, 9e-7])
def test_a_stop_beside_a_breakaway_does_not_hold_the_rotor(past: float) -> None:
    # Torque Ke_tt i reaches stiction at t = -tau ln(1 - part of the stall torque).
    stall_Nm = 2.0 * BOARD_MOTOR["ke_V_s_per_rad"] * BOARD_MOTOR["supply_V"] / PATH_OHM
    away_s = -TAU_S * math.log1p(-0.8)
    p, s = plant(stiction_Nm=0.8 * stall_Nm, coulomb_Nm=0.1 * stall_Nm), state()
    cut = run(p, s, Drive(step=0), away_s * np.array([1.0 + past, 20.0]))
    whole = run(p, state(), Drive(step=0), np.array([20.0 * away_s]))
    # Segments are cut elsewhere: the stepper's error over 0.2 ms, some 1e-7, and the millionth itself.
    assert cut[1, 1] == pytest.approx(whole[0, 1], rel=1e-5)
