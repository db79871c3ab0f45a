"""A segment of unequal coils: each mode is a circuit of one time constant, and the currents are made of them.

`c` is the CIRCUIT of the terminals that conduct, see `sim.plant.modes`.
"""

import math

from controllers.jit import kernel
from sim.plant.first_order import decay, solve_row
from sim.plant.records import CURRENTS, Record

_THIRD = 1.0 / 3.0


@kernel
def _conducting_set(w: Record) -> int:
    """Number of the set of terminals that conduct; open ones are then held at nothing."""
    for k in range(3):
        if not w.conducts[k]:
            w.v_V[k] = 0.0
    return int(w.conducts[0] + 2 * w.conducts[1] + 4 * w.conducts[2])


# Decision: the sums over currents are written out. Loops of unlike lengths, unrolled by the compiler, took
# five times as long to compile.
@kernel
def _mode_A(s: Record, c: Record, m: int) -> float:
    """Mode `m` of the present currents."""
    i, pick = s.i_A, c.pick[m]
    return float(pick[0] * i[0] + pick[1] * i[1] + pick[2] * i[2] + pick[3] * s.round_A)


@kernel
def _shape_of(x: Record, shapes: Record) -> float:
    """Back-EMF shape that the currents `x` work against."""
    return float(x[0] * shapes[0] + x[1] * shapes[1] + x[2] * shapes[2] + x[3] * shapes[3])


@kernel
def _held_V(w: Record, x: Record) -> float:
    """Voltage with which rails and diodes drive the currents `x`."""
    return float(x[0] * w.v_V[0] + x[1] * w.v_V[1] + x[2] * w.v_V[2])


@kernel
def _mode(p: Record, s: Record, w: Record, c: Record, m: int, start: float, end: float) -> float:
    """Solve mode `m` over the segment; returns its torque impulse over ke."""
    row, x = CURRENTS + m, c.current[m]
    w.shape_start[row] = _shape_of(x, w.shape_start)
    w.shape_end[row] = _shape_of(x, w.shape_end)
    per_ohm, held_V = 1.0 / c.mode_ohm[m], _held_V(w, x)
    w.mode_tau_s[m] = (3.0 if p.delta else 1.0) * p.inductance_H * per_ohm
    fall = decay(w.h_s, w.mode_tau_s[m])
    w.mode_left[m], w.mode_area_s[m], w.mode_moment_s[m] = fall[2], fall[3], fall[4]
    g0_A = (held_V - start * w.shape_start[row]) * per_ohm
    g1_A = (held_V - end * w.shape_end[row]) * per_ohm
    w.square_A2s = 0.0
    impulse = solve_row(w, row, _mode_A(s, c, m), g0_A, g1_A, fall)
    w.mode_square_A2s[m] = w.square_A2s
    for q in range(CURRENTS):
        w.share[m, q] = x[q]
        w.i_end_A[q] += x[q] * w.i_end_A[row]
        w.charge_A_s[q] += x[q] * w.charge_A_s[row]
    return impulse


@kernel
def _product_A2s(w: Record, m: int, n: int) -> float:
    """Integral of the product of two modes, m > n."""
    i, j, h = CURRENTS + m, CURRENTS + n, w.h_s
    a, c, rise = w.a_A[i], w.c_A[i], w.b_A_per_s[i] * h
    other_a, other_c, other_rise = w.a_A[j], w.c_A[j], w.b_A_per_s[j] * h
    lines = a * other_a + 0.5 * (a * other_rise + other_a * rise) + _THIRD * rise * other_rise
    rate = 1.0 / w.mode_tau_s[m] + 1.0 / w.mode_tau_s[n]
    return (
        h * lines
        + other_c * (a * w.mode_area_s[n] + rise * w.mode_moment_s[n])
        + c * (other_a * w.mode_area_s[m] + other_rise * w.mode_moment_s[m])
        + c * other_c * (1.0 - w.mode_left[m] * w.mode_left[n]) / rate
    )


@kernel
def _squares(w: Record, c: Record) -> None:
    """Fill the integrals of squared currents."""
    w.square_A2s, w.coil_A2s, w.copper_A2s = 0.0, 0.0, 0.0
    for m in range(c.modes):
        for n in range(m + 1):
            product = w.mode_square_A2s[m] if n == m else _product_A2s(w, m, n)
            w.square_A2s += c.line_square[m, n] * product
            w.coil_A2s += c.coil_square[m, n] * product
            w.copper_A2s += c.copper_square[m, n] * product


@kernel
def _place_midway(bus_V: float, terminal_V: Record) -> None:
    """Where nothing conducts: the highest and the lowest terminal reach their diodes together."""
    a, b, c = terminal_V[0], terminal_V[1], terminal_V[2]
    by_V = 0.5 * (bus_V - max(a, b, c) - min(a, b, c))
    for k in range(3):
        terminal_V[k] += by_V


@kernel
def open_start_V(s: Record, w: Record, ke_omega: float) -> None:
    """Fill `w.w_start_V` of the open terminals for the currents of `s`. Needs `w.conducts`, `w.v_V`."""
    conducting = _conducting_set(w)
    c = s.circuits[conducting]
    for k in range(3):
        if not w.conducts[k]:
            x = c.open_current[k]
            w.w_start_V[k] = ke_omega * _shape_of(x, w.shape_start) - _held_V(w, x)
            for m in range(c.modes):
                w.w_start_V[k] += c.open_ohm[k, m] * _mode_A(s, c, m)
    if conducting == 0:
        _place_midway(w.bus_V, w.w_start_V)


@kernel
def _open_end_V(w: Record, c: Record, end: float) -> None:
    """Fill `w.w_end_V` of the open terminals and what the exponentials add to them."""
    for k in range(3):
        if not w.conducts[k]:
            x = c.open_current[k]
            w.w_end_V[k] = end * _shape_of(x, w.shape_end) - _held_V(w, x)
            for m in range(c.modes):
                w.w_end_V[k] += c.open_ohm[k, m] * w.i_end_A[CURRENTS + m]
                w.fade_V[k, m] = c.open_ohm[k, m] * w.c_A[CURRENTS + m]


@kernel
def _place_end_midway(w: Record) -> None:
    """Where nothing conducts: `_place_midway` at the end; the exponential of the current that goes round, the
    only mode, is shared alike by the highest and the lowest terminal."""
    high, low = 0, 0
    for k in range(3):
        high = k if w.w_end_V[k] > w.w_end_V[high] else high
        low = k if w.w_end_V[k] < w.w_end_V[low] else low
    common_V = 0.5 * (w.fade_V[high, 0] + w.fade_V[low, 0])
    for k in range(3):
        w.fade_V[k, 0] -= common_V
    _place_midway(w.bus_V, w.w_end_V)


@kernel
def unequal_currents(p: Record, s: Record, w: Record, start: float, end: float) -> float:
    """Solve the segment; returns the torque impulse over ke. Needs `w.conducts`, `w.v_V`.

    `start`, `end`: ke times speed at both ends [V].
    """
    conducting = _conducting_set(w)
    c = s.circuits[conducting]
    w.modes, w.lean_A_s, impulse = c.modes, 0.0, 0.0
    for q in range(CURRENTS):
        w.i_end_A[q], w.charge_A_s[q] = 0.0, 0.0
    for m in range(c.modes):
        impulse += _mode(p, s, w, c, m, start, end)
    _squares(w, c)
    open_start_V(s, w, start)
    _open_end_V(w, c, end)
    if conducting == 0:
        _place_end_midway(w)
    for k in range(3):
        if w.conducts[k]:
            w.w_start_V[k], w.w_end_V[k] = w.v_V[k], w.v_V[k]
    return impulse


@kernel
def _mode_at(w: Record, m: int, t_s: float) -> tuple[float, float]:
    """Mode `m` and its rate of change, `t_s` after the start of the segment."""
    row = CURRENTS + m
    fading = w.c_A[row] * math.exp(-t_s / w.mode_tau_s[m])
    value_A = w.a_A[row] + w.b_A_per_s[row] * t_s + fading
    return value_A, w.b_A_per_s[row] - fading / w.mode_tau_s[m]


@kernel
def modal_A(w: Record, q: int, t_s: float) -> tuple[float, float]:
    """Current `q` [A] and its rate of change [A/s], `t_s` after the start of the segment."""
    total, slope = 0.0, 0.0
    for m in range(w.modes):
        value, rate = _mode_at(w, m, t_s)
        total += w.share[m, q] * value
        slope += w.share[m, q] * rate
    return total, slope


@kernel
def modal_standing_torque_A(w: Record, t_s: float) -> float:
    """Torque over ke on a standing rotor, `t_s` after the start of the segment."""
    total = 0.0
    for m in range(w.modes):
        total += w.shape_start[CURRENTS + m] * _mode_at(w, m, t_s)[0]
    return total


@kernel
def bent_V(w: Record, k: int, part: float) -> float:
    """By how much the voltage of an open terminal lies off the line between its ends, `part` (0..1) of the
    segment on."""
    total = 0.0
    for m in range(w.modes):
        off_line = math.exp(-part * w.h_s / w.mode_tau_s[m]) - 1.0 - part * (w.mode_left[m] - 1.0)
        total += w.fade_V[k, m] * off_line
    return total
