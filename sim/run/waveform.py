"""The back-EMF of a Design as the kernel's table, and the constant that its terminals show."""

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.design import Design, Motor
from sim.plant.emf import Shape, flat_top, measured, sine, table
from targets import Fault, InputError

TRAPEZOID_KNOTS, DELTA_TRAPEZOID_KNOTS = 6, 12
"""Cells that meet every corner: the sum of a delta's trapezoids turns every 60 degrees, in the middle of a
step."""
FINE_KNOTS = 72
"""Cells of 5 degrees for what is no trapezoid: harmonics of a sine below 1/71^2."""
FEWEST_ROWS = 6
STEPS = 6


def knots_of(design: Design) -> int:
    """Cells of the design's table."""
    if design.motor.back_emf != "trapezoid":
        return FINE_KNOTS
    return DELTA_TRAPEZOID_KNOTS if design.motor.connection == "delta" else TRAPEZOID_KNOTS


def shape_table(design: Design) -> NDArray[np.float64]:
    """Back-EMF table of a design, see `sim.plant.emf`.

    Raises:
        InputError: the file of a measured waveform cannot be used.
    """
    motor = design.motor
    parts = (
        1.0,
        1.0 + motor.ke_imbalance_b_percent / 100.0,
        1.0 + motor.ke_imbalance_c_percent / 100.0,
    )
    return table(_coil(motor), knots_of(design), parts, motor.connection == "delta")


def terminal_factor(shapes: NDArray[np.float64]) -> float:
    """Back-EMF between the two conducting terminals over the motor's constant, mean over a step: 2 for a
    star of trapezoids (Hanselman, from memory), 7/6 for a delta of them, in which a current goes round."""
    window = (shapes[:, 0] - shapes[:, 1])[: (len(shapes) - 1) // STEPS + 1]
    return float(np.mean(0.5 * (window[1:] + window[:-1])))


def _coil(motor: Motor) -> Shape:
    """Waveform of one coil."""
    if motor.back_emf == "trapezoid":
        return flat_top
    if motor.back_emf == "sine":
        return sine(FINE_KNOTS)
    assert motor.back_emf_file is not None
    return measured(*_read(motor.back_emf_file))


def _read(file: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Angles and values of a measured waveform: CSV with two columns, electrical degrees and volts; lines
    that do not begin with a number (a header) are passed over."""
    try:
        with Path(file).open(encoding="utf-8-sig", newline="") as lines:
            rows = [row for row in csv.reader(lines) if row and _is_number(row[0])]
        values = np.array([[float(cell) for cell in row[:2]] for row in rows], dtype=np.float64)
    except (OSError, ValueError) as refused:
        reason = getattr(refused, "strerror", None) or "a cell that is no number"
        raise _unfit(file, reason) from None
    if values.ndim != 2 or values.shape[1] != 2 or len(values) < FEWEST_ROWS:
        raise _unfit(file, f"{len(rows)} rows of numbers")
    degrees, volts = values[:, 0], values[:, 1]
    rising = bool((np.diff(degrees) > 0.0).all()) and degrees[0] >= 0.0 and degrees[-1] < 360.0
    if not rising or not np.isfinite(values).all() or not volts.any():
        raise _unfit(file, "angles that do not rise from 0 to below 360 deg, or volts that are not there")
    return degrees, volts


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _unfit(file: str, found: str) -> InputError:
    """The fault of a waveform file."""
    rule = (
        f"must be a CSV file of electrical degrees and volts, {FEWEST_ROWS} rows at least ({Path(file).name})"
    )
    remedy = "write one electrical turn of one phase, from its rising zero crossing at 0 deg"
    return InputError([Fault("motor.back_emf_file", rule, found, remedy)])
