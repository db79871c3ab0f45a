"""A circuit of one time constant over a segment, in closed form: L di/dt + R i = g0 + g1 t."""

import math
from typing import TypeAlias

from controllers.jit import kernel
from sim.plant.records import Record

Decay: TypeAlias = tuple[float, float, float, float, float, float, float]
"""f(t) = exp(-t / tau) over a segment of length h: 1 / h [1/s], tau [s], f(h); the integrals of f, t f / h,
(t / h)^2 f, f^2 [s]."""

_THIRD = 1.0 / 3.0


@kernel
def decay(h_s: float, tau_s: float) -> Decay:
    """The exponential of a circuit of time constant `tau_s` over a segment of length `h_s`."""
    per_h = 1.0 / h_s
    left = math.exp(-h_s / tau_s)
    area_s = tau_s * (1.0 - left)
    moment_s = tau_s * (area_s * per_h - left)
    second_s = tau_s * (2.0 * moment_s * per_h - left)
    return per_h, tau_s, left, area_s, moment_s, second_s, 0.5 * area_s * (1.0 + left)


@kernel
def solve_row(w: Record, k: int, i_A: float, g0_A: float, g1_A: float, fall: Decay) -> float:
    """Solve row `k` of a segment; returns its torque impulse over ke.

    Adds to `w.lean_A_s` how much of the impulse comes before the middle of the segment: half the impulse less
    its first moment over h. `g0_A`, `g1_A`: driving voltage over resistance at the two ends.
    """
    per_h, tau_s, left, area_s, moment_s, second_s, square_s = fall
    h, rise = w.h_s, g1_A - g0_A
    b = rise * per_h
    a = g0_A - tau_s * b
    c = i_A - a
    w.a_A[k], w.b_A_per_s[k], w.c_A[k] = a, b, c
    w.i_end_A[k] = a + rise + c * left
    charge = h * (a + 0.5 * rise) + c * area_s
    moment = h * (0.5 * a + _THIRD * rise) + c * moment_s
    w.charge_A_s[k] = charge
    w.square_A2s += (
        h * (a * (a + rise) + _THIRD * rise * rise)
        + 2.0 * c * (a * area_s + rise * moment_s)
        + c * c * square_s
    )
    second = h * (_THIRD * a + 0.25 * rise) + c * second_s
    change = w.shape_end[k] - w.shape_start[k]
    impulse = w.shape_start[k] * charge + change * moment
    w.lean_A_s += 0.5 * impulse - w.shape_start[k] * moment - change * second
    return impulse
