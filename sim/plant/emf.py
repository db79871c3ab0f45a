"""Back-EMF waveforms as piecewise-linear tables: the trapezoid is exact with six knots.

Columns 0 to 2 are the shapes of three star-connected phases A, B, C, lagging by 120 degrees each. A delta
has the same columns for the star that looks alike from its terminals, (e_ab - e_ca) / 3 and so on (closed
form: the currents into the terminals see nothing else). Column 3 is the sum of its three coils' shapes,
which drives the current that goes round in the delta; 0 in a star.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FIRST_KNOT_DEG = 30.0
"""Electrical angle of knot 0 after phase A's rising zero crossing: where step 0 should begin."""
LAGS_DEG = (0.0, 120.0, 240.0)
DELTA_LEAD_DEG = 30.0
"""Coil A-B of a delta leads by this what the star alike has at terminal A."""
COLUMNS = 4
CIRCULATING = 3

Shape = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Back-EMF of one coil over its peak, at electrical degrees after its rising zero crossing."""


def flat_top(degrees: NDArray[np.float64]) -> NDArray[np.float64]:
    """The 120-degree flat-top trapezoid.

    Pillay and Krishnan, IEEE Trans. IA 25(2), 1989, part II (from memory): flat from 30 to 150 degrees,
    linear through zero.
    """
    corners = [0.0, 30.0, 150.0, 210.0, 330.0, 360.0]
    return np.interp(degrees % 360.0, corners, [0.0, 1.0, 1.0, -1.0, -1.0, 0.0])


def sine(knots: int) -> Shape:
    """A sine for a table of `knots` cells: straight lines between points on a slightly larger sine, whose
    fundamental is exactly 1 (linear interpolation multiplies it by sinc^2 of half a cell)."""
    half_rad = np.pi / knots
    swell = (half_rad / np.sin(half_rad)) ** 2
    return lambda degrees: swell * np.sin(np.radians(degrees))


def measured(degrees: NDArray[np.float64], values: NDArray[np.float64]) -> Shape:
    """A measured turn, scaled to a largest value of 1.

    Args:
        degrees: rising electrical angles in [0, 360) after the rising zero crossing.
        values: back-EMF there, any unit.
    """
    largest = np.abs(values).max()
    return lambda at: np.interp(at % 360.0, degrees, values / largest, period=360.0)


def table(
    shape: Shape, knots: int, parts: tuple[float, float, float] = (1.0, 1.0, 1.0), delta: bool = False
) -> NDArray[np.float64]:
    """Table of a motor, array (knots + 1, COLUMNS); row j is at `FIRST_KNOT_DEG` + 360 j / knots, the last
    row repeats the first.

    Args:
        shape: of one coil.
        knots: cells per electrical turn: a multiple of 6, of 12 for a delta.
        parts: back-EMF of each coil over the motor's constant.
        delta: coils A-B, B-C, C-A instead of A, B, C.
    """
    degrees = FIRST_KNOT_DEG + 360.0 * np.arange(knots + 1) / knots
    lead = DELTA_LEAD_DEG if delta else 0.0
    coils = [part * shape(degrees + lead - lag) for part, lag in zip(parts, LAGS_DEG, strict=True)]
    if not delta:
        return np.ascontiguousarray(np.stack([*coils, np.zeros_like(degrees)], axis=1))
    stars = [(coils[k] - coils[k - 1]) / 3.0 for k in range(3)]
    return np.ascontiguousarray(np.stack([*stars, np.sum(coils, axis=0)], axis=1))


def trapezoid(knots: int = 6) -> NDArray[np.float64]:
    """Table of a star-connected motor with the trapezoid, exact for any multiple of 6 `knots`."""
    return table(flat_top, knots)
