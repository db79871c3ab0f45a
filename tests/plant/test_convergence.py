"""Order of the stepper, measured as the slope of log error against log segment length."""

import numpy as np
import pytest
from numpy.typing import NDArray

from sim.plant.emf import flat_top, sine, table, trapezoid
from sim.plant.records import SWITCHED_COMPLEMENTARY, SWITCHED_LOW_SIDE
from tests.plant.harness import BOARD_MOTOR, FRICTION, WINDING_MOTOR, Drive, plant, run, state

FINEST_DEG = 0.25
SECONDS_PER_DEG = 6.25e-6
"""Lengths in time are refined with those in angle: at a start from rest they are the shorter ones."""
END_S = 0.05
FLOOR = 5e-11
"""Corners count as reached within 1e-6 rad, at random. A trapezoid's kinks leave up to 1e-9 of that over
tens of corners on tens of radians; the kinks of a finely tabulated sine are so much smaller."""

BOARD = {**BOARD_MOTOR, **FRICTION}
# Motor, drive and the coarsest of four lengths, each half the one before. 60 degrees is the longest there
# is, a cell of the back-EMF table; where a freewheel or the swing of a held rotor takes a part of a cell,
# the order shows from 15 degrees on.
CASES = {
    "board motor with friction": (BOARD, Drive(), 60.0),
    "four times the inductance": ({**BOARD, "inductance_H": 50e-6}, Drive(), 60.0),
    "unloaded, one step ahead": (BOARD_MOTOR, Drive(lead=1), 60.0),
    "chopped at 1 kHz": (BOARD, Drive(pwm_s=1e-3, duty=0.7), 60.0),
    "low side chopped": ({**BOARD, "pwm_mode": SWITCHED_LOW_SIDE}, Drive(pwm_s=1e-3, duty=0.7), 60.0),
    "both chopped, dead time": (
        {**BOARD, "pwm_mode": SWITCHED_COMPLEMENTARY, "dead_s": 2e-5},
        Drive(pwm_s=1e-3, duty=0.7),
        60.0,
    ),
    "freewheel beyond 30 degrees": (WINDING_MOTOR, Drive(), 15.0),
    "held step, swinging rotor": (BOARD, Drive(step=0), 15.0),
    "detents": ({**BOARD, "cogging_Nm": 5e-5, "cogs_per_turn": 12, "detent_rad": 0.3}, Drive(), 20.0),
    "a load table": (
        {**BOARD, "table_rows": 2, "table_rad_s": [0.0, 900.0], "table_Nm": [1e-5, 9e-5]},
        Drive(),
        60.0,
    ),
    "iron": ({**BOARD, "magnetic_drag_Nm": 2e-5, "eddy_Nm_s_per_rad": 3e-8}, Drive(), 60.0),
}


def angle_and_speed(
    motor: dict[str, float], drive: Drive, length_deg: float, shapes: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Electrical angle and speed at `END_S`."""
    knots = len(shapes) - 1
    p = plant(
        max_segment_deg=length_deg, max_segment_s=SECONDS_PER_DEG * length_deg, knots=knots, **motor
    )  # fmt: skip
    return run(p, state(20.0, knots), drive, END_S, shapes)[0, [2, 1]]


TRAPEZOID = trapezoid()
# Motor, waveform and the coarsest length; cells are 60, 30 and 10 degrees long. A delta's motor has a third
# of the board motor's resistance and inductance in each phase of the star alike, so coils like those of the
# board motor.
THIRD = {**BOARD, "delta": 1, "resistance_ohm": 1.75 / 3.0, "inductance_H": 12.5e-6 / 3.0}
WAVES = {
    "sine": (BOARD, table(sine(36), 36), 10.0),
    "one coil weaker": (BOARD, table(flat_top, 6, (1.0, 0.9, 1.05)), 60.0),
    "delta of trapezoids": (THIRD, table(flat_top, 12, delta=True), 15.0),
    "delta of sines": (THIRD, table(sine(36), 36, delta=True), 10.0),
}


def slope(motor: dict[str, float], drive: Drive, coarsest_deg: float, shapes: NDArray[np.float64]) -> float:
    """Slope of log error against log length over four lengths."""
    truth = angle_and_speed(motor, drive, FINEST_DEG, shapes)
    lengths_deg = coarsest_deg / 2.0 ** np.arange(4)
    runs = [angle_and_speed(motor, drive, length_deg, shapes) for length_deg in lengths_deg]
    errors = np.array([np.abs(run_ / truth - 1.0).max() for run_ in runs])
    assert errors.min() > FLOOR
    return float(np.polyfit(np.log(lengths_deg), np.log(errors), 1)[0])


@pytest.mark.parametrize("case", CASES)
def test_the_stepper_is_of_second_order(case: str) -> None:
    motor, drive, coarsest_deg = CASES[case]
    assert slope(motor, drive, coarsest_deg, TRAPEZOID) == pytest.approx(
        2.0, abs=0.3
    )  # tells it from 1.5 and 2.5


@pytest.mark.parametrize("case", WAVES)
def test_it_is_so_for_every_waveform_and_connection(case: str) -> None:
    motor, shapes, coarsest_deg = WAVES[case]
    assert slope(motor, Drive(), coarsest_deg, shapes) == pytest.approx(2.0, abs=0.3)
