"""Back-EMF waveforms as piecewise-linear tables: the trapezoid is exact with six knots."""

import numpy as np
from numpy.typing import NDArray

FIRST_KNOT_DEG = 30.0
"""Electrical angle of knot 0 after phase A's rising zero crossing: where step 0 should begin."""


def trapezoid(knots: int = 6) -> NDArray[np.float64]:
    """Table of the 120-degree flat-top trapezoid of amplitude 1, phases A, B, C lagging by 120 degrees each.

    Pillay and Krishnan, IEEE Trans. IA 25(2), 1989, part II (from memory): flat from 30 to 150 degrees,
    linear through zero.

    Args:
        knots: cells per electrical turn; any multiple of 6 gives the exact waveform.
    Returns:
        Array (knots + 1, 3); row j is the shape at `FIRST_KNOT_DEG` + 360 j / knots, the last row repeats
        the first.
    """
    degrees = FIRST_KNOT_DEG + 360.0 * np.arange(knots + 1) / knots
    corners = [0.0, 30.0, 150.0, 210.0, 330.0, 360.0]
    values = [0.0, 1.0, 1.0, -1.0, -1.0, 0.0]
    columns = [np.interp((degrees - lag) % 360.0, corners, values) for lag in (0.0, 120.0, 240.0)]
    return np.ascontiguousarray(np.stack(columns, axis=1))
