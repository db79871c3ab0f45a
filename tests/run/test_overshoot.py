"""Overshoot: how far the speed goes beyond the highest speed commanded so far."""

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from sim.processor.records import TRACE_COLUMNS
from sim.run.metrics import overshoot
from sim.run.simulate import Recording

ROWS = 200


def recorded(speed: np.ndarray, commanded: np.ndarray) -> Recording:
    """A recording with these traces [rpm], a row each 10 ms."""
    trace = np.zeros((ROWS, len(TRACE_COLUMNS)))
    columns = {"t_s": 0.01 * np.arange(ROWS), "speed_rpm": speed, "command_rpm": commanded}
    for name, values in columns.items():
        trace[:, TRACE_COLUMNS.index(name)] = values
    return cast(Recording, SimpleNamespace(trace=trace))


def plateau(start: int, rpm: float, rest_rpm: float) -> np.ndarray:
    """A speed that stands at `rpm` for 40 rows from `start` on, so that smoothing leaves it."""
    speed = np.full(ROWS, rest_rpm)
    speed[start : start + 40] = rpm
    return speed


def test_the_highest_speed_counts_as_part_of_the_command() -> None:
    percent, at_s = overshoot(recorded(plateau(60, 1250.0, 1000.0), np.full(ROWS, 1000.0)))
    assert percent == pytest.approx(25.0, rel=1e-12)
    assert 0.6 <= at_s < 1.0


@pytest.mark.parametrize("rpm", [0.0, 900.0, 1000.0])
def test_a_speed_that_stays_below_overshoots_by_nothing(rpm: float) -> None:
    assert overshoot(recorded(plateau(60, rpm, 0.0), np.full(ROWS, 1000.0))) == (0.0, 0.0)


def test_a_command_that_falls_makes_no_overshoot() -> None:
    commanded = np.where(np.arange(ROWS) < 100, 1000.0, 400.0)
    assert overshoot(recorded(np.full(ROWS, 1000.0), commanded)) == (0.0, 0.0)


def test_a_rise_of_the_command_is_not_known_beforehand() -> None:
    commanded = np.where(np.arange(ROWS) < 100, 500.0, 1000.0)
    percent, at_s = overshoot(recorded(plateau(20, 600.0, 500.0), commanded))
    assert percent == pytest.approx(20.0, rel=1e-12)
    assert 0.2 <= at_s < 0.6


def test_no_command_at_all_has_no_overshoot() -> None:
    assert overshoot(recorded(plateau(60, 300.0, 0.0), np.zeros(ROWS))) == (0.0, 0.0)
