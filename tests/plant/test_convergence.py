"""Order of the stepper, measured as the slope of log error against log segment length."""

import numpy as np
import pytest

from tests.plant.harness import BOARD_MOTOR, FRICTION, WINDING_MOTOR, Drive, plant, run, state

LENGTHS_DEG = np.array([16.0, 8.0, 4.0, 2.0])
FINEST_DEG = 0.25
CASES = {
    "board motor with friction": ({**BOARD_MOTOR, **FRICTION}, Drive(), 0.05),
    "long freewheel": (WINDING_MOTOR, Drive(), 0.05),
}


def angle_and_speed(motor: dict[str, float], drive: Drive, end_s: float, length_deg: float) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    """Electrical angle and speed after a spin-up; lengths in angle and in time are refined together."""
    p = plant(max_segment_deg=length_deg, max_segment_s=1e-4 * length_deg / 16.0, **motor)
    return run(p, state(20.0), drive, end_s)[0, [2, 1]]


@pytest.mark.parametrize("case", CASES)
def test_the_stepper_is_of_second_order(case: str) -> None:
    motor, drive, end_s = CASES[case]
    truth = angle_and_speed(motor, drive, end_s, FINEST_DEG)
    errors = np.array([np.abs(angle_and_speed(motor, drive, end_s, deg) / truth - 1.0).max() for deg in LENGTHS_DEG])
    # Rounding and the 1e-7 rad of a Hall edge lie at 1e-10 of some tens of radians: every error here is above.
    assert errors.min() > 1e-10
    slope = np.polyfit(np.log(LENGTHS_DEG), np.log(errors), 1)[0]
    assert slope == pytest.approx(2.0, abs=0.3)  # the band that tells 2 from 1.5 and 2.5
