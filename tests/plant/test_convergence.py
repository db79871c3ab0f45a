"""Order of the stepper, measured as the slope of log error against log segment length."""

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.plant.harness import BOARD_MOTOR, FRICTION, Drive, plant, run, state

LENGTHS_DEG = np.array([60.0, 30.0, 15.0, 7.5])  # whole parts of a cell of the back-EMF table
FINEST_DEG = 0.25
CASES = {
    "board motor with friction": ({**BOARD_MOTOR, **FRICTION}, Drive(), 0.05),
    "four times the inductance": ({**BOARD_MOTOR, **FRICTION, "inductance_H": 50e-6}, Drive(), 0.05),
    "unloaded, half the ideal lead": (BOARD_MOTOR, Drive(lead=1), 0.05),
}


def angle_and_speed(
    motor: dict[str, float], drive: Drive, end_s: float, length_deg: float
) -> NDArray[np.float64]:
    """Electrical angle and speed after a spin-up; lengths in angle and in time are refined together."""
    p = plant(max_segment_deg=length_deg, max_segment_s=1e-4 * length_deg / 16.0, **motor)
    return run(p, state(20.0), drive, end_s)[0, [2, 1]]


@pytest.mark.parametrize("case", CASES)
def test_the_stepper_is_of_second_order(case: str) -> None:
    motor, drive, end_s = CASES[case]
    truth = angle_and_speed(motor, drive, end_s, FINEST_DEG)
    runs = [angle_and_speed(motor, drive, end_s, length_deg) for length_deg in LENGTHS_DEG]
    errors = np.array([np.abs(run_ / truth - 1.0).max() for run_ in runs])
    # The floor is the 1e-6 rad within which a corner counts as reached, on some tens of radians.
    assert errors.min() > 1e-9
    slope = np.polyfit(np.log(LENGTHS_DEG), np.log(errors), 1)[0]
    assert slope == pytest.approx(2.0, abs=0.3)  # the band that tells 2 from 1.5 and 2.5
