"""What may end a segment early: each event is located to rounding and never stepped over."""

import math

from controllers.jit import kernel
from sim.plant.delta import ROUND
from sim.plant.drag import cogging_Nm, holding_Nm
from sim.plant.present import ke_V_s_per_rad
from sim.plant.records import HIGH, LOW, OFF, Record
from sim.plant.segment import current_A, phase_A, round_A, terminal_V
from sim.plant.unequal import modal_A, modal_standing_torque_A

NOTHING, LANDING, STOP, EXTINCTION, CONDUCTION, BREAKAWAY, TRIP = range(7)
"""Event kinds: an angular corner reached, standstill, a diode current gone, a diode turning on, stiction
overcome, the current of the driven leg above the comparator's threshold."""

CORNER_RAD = 1e-6
"""A corner of the back-EMF table counts as reached within this electrical angle: what is over carries into
the next cell, so only the kink is displaced, by less than the waveform is known."""
EDGE_RAD = 1e-7
"""A Hall edge counts as reached within this electrical angle: at 100 rpm and one pole pair 10 ns, less than
a clock cycle."""
STOP_RAD_S = 1e-6
"""Speeds below this at a sign change are standstill (a turn in 70 days)."""
SHORTEST_TURN_s = 1e-9
"""A rotor that sets off from rest and comes back within this time has not moved."""
_ROOT_STEPS = 60


@kernel
def _without_slope_s(a_A: float, c_A: float, tau_s: float) -> float:
    """Root of a + c exp(-t / tau), 0 where there is none ahead."""
    if a_A * c_A >= 0.0 or abs(c_A) <= abs(a_A):
        return 0.0
    return tau_s * math.log(-c_A / a_A)


@kernel
def _peak_s(b_A_per_s: float, c_A: float, tau_s: float) -> float:
    """When a current that first grows in the diode's sense turns back, 0 where it falls from the start.

    `b_A_per_s`, `c_A`: of the current as counted in the diode's sense.
    """
    if b_A_per_s >= 0.0 or c_A >= b_A_per_s * tau_s:
        return 0.0
    return tau_s * math.log(c_A / (b_A_per_s * tau_s))


@kernel
def _bracket_s(w: Record, k: int, sign: float) -> tuple[float, float]:
    """A time before the end of a diode's current, and where to begin the search for it: of unequal coils,
    whose currents are sums of exponentials, in the middle."""
    if w.modal:
        return 0.0, 0.5 * w.h_s
    low = _peak_s(w.b_A_per_s[k] * sign, w.c_A[k] * sign, w.tau_s)
    return low, w.h_s if low > 0.0 else min(_without_slope_s(w.a_A[k], w.c_A[k], w.tau_s), w.h_s)


@kernel
def _value_and_slope(w: Record, k: int, t_s: float) -> tuple[float, float]:
    """Current of phase `k` and its rate of change, `t_s` after the start of the segment."""
    return modal_A(w, k, t_s) if w.modal else phase_A(w, k, t_s)


@kernel
def extinction_s(s: Record, w: Record, k: int) -> float:
    """When the diode current of floating leg `k` is gone, or infinity.

    Newton's method from the root that a constant back-EMF would give; the dying current is convex, so the
    iterates go on from the left. Where it is not (a back-EMF that turns round within the segment), they are
    pulled back into the bracket. A current that first grows, perhaps from zero, ends after its peak: from
    there on it is concave, and the iterates come from the right.
    """
    sign = 1.0 if s.diode[k] == LOW else -1.0
    if s.i_A[k] * sign < 0.0:
        return 0.0  # gone a moment ago, in the last millionth of a segment that another event ended
    if w.i_end_A[k] * sign >= 0.0:
        return math.inf
    low, t_s = _bracket_s(w, k, sign)
    high = w.h_s
    for _ in range(_ROOT_STEPS):
        value, slope = _value_and_slope(w, k, t_s)
        value, slope = value * sign, slope * sign
        if value > 0.0:
            low = t_s
        else:
            high = t_s if t_s > 0.0 else high
        next_s = t_s - value / slope if slope < 0.0 else 0.5 * (low + high)
        if next_s <= low or next_s >= high:
            next_s = 0.5 * (low + high)
        if abs(next_s - t_s) <= 1e-9 * w.h_s:
            return next_s
        t_s = next_s
    return t_s


@kernel
def _bent_conduction_s(w: Record, k: int, rail_V: float, sign: float) -> float:
    """When the open terminal `k` of unequal coils, whose voltage is no straight line, passes `rail_V`;
    bisection. What passes a rail and comes back within a segment is not seen."""
    low, high = 0.0, 1.0 if (w.w_start_V[k] - rail_V) * sign <= 0.0 else 0.0
    for _ in range(_ROOT_STEPS):
        middle = 0.5 * (low + high)
        if (terminal_V(w, k, middle) - rail_V) * sign > 0.0:
            high = middle
        else:
            low = middle
    return high * w.h_s


@kernel
def conduction_s(p: Record, w: Record, k: int) -> float:
    """When the floating terminal `k` (linear in time for equal coils) passes a rail by a diode drop, or
    infinity."""
    start, end = w.w_start_V[k], w.w_end_V[k]
    margin = p.diode_V + 2e-7
    if w.modal and (end > w.bus_V + margin or end < -margin):
        sign = 1.0 if end > 0.0 else -1.0
        return _bent_conduction_s(w, k, w.bus_V + margin if end > 0.0 else -margin, sign)
    if end > w.bus_V + margin:
        return w.h_s * max(0.0, (w.bus_V + margin - start) / (end - start))
    if end < -margin:
        return w.h_s * max(0.0, (-margin - start) / (end - start))
    return math.inf


@kernel
def _equal_standing_torque_A(p: Record, w: Record, t_s: float) -> float:
    """Torque of equal coils over ke on a standing rotor, `t_s` after the segment's start."""
    total = 0.0
    for k in range(3):
        if w.conducts[k]:
            total += w.shape_start[k] * phase_A(w, k, t_s)[0]
    if p.delta:
        total += w.shape_start[ROUND] * round_A(w, t_s)
    return total


@kernel
def _torque_at(p: Record, s: Record, w: Record, t_s: float) -> float:
    """Torque of motor and detents on a standing rotor `t_s` after the segment's start."""
    total = modal_standing_torque_A(w, t_s) if w.modal else _equal_standing_torque_A(p, w, t_s)
    return ke_V_s_per_rad(p, s) * total + cogging_Nm(p, s, 0.0)


@kernel
def breakaway_s(p: Record, s: Record, w: Record) -> float:
    """When the torque on a standing rotor exceeds what holds it, or infinity. Bisection, then a step to the
    moving side."""
    holding = holding_Nm(p, s.load_Nm)
    if abs(_torque_at(p, s, w, w.h_s)) <= holding:
        return math.inf
    low, high = 0.0, w.h_s
    for _ in range(_ROOT_STEPS):
        middle = 0.5 * (low + high)
        if abs(_torque_at(p, s, w, middle)) > holding:
            high = middle
        else:
            low = middle
    return high + 1e-12


@kernel
def trip_s(p: Record, s: Record, w: Record) -> float:
    """When the current of the leg at the upper rail exceeds the comparator's threshold, or infinity.
    Bisection: what rises and falls again within a segment is not seen."""
    for k in range(3):
        if s.leg[k] == HIGH and (w.i_end_A[k] > p.trip_A or s.i_A[k] > p.trip_A):
            low, high = 0.0, w.h_s if s.i_A[k] <= p.trip_A else 0.0
            for _ in range(_ROOT_STEPS):
                middle = 0.5 * (low + high)
                if current_A(w, k, middle) > p.trip_A:
                    high = middle
                else:
                    low = middle
            return high
    return math.inf


@kernel
def _earliest_diode(p: Record, s: Record, w: Record) -> tuple[float, int, int]:
    """Earliest extinction or turning on of a diode of an open leg, as `earliest` returns it."""
    at_s, kind, leg = math.inf, NOTHING, -1
    for k in range(3):
        if s.leg[k] != OFF:
            continue
        if s.diode[k] != OFF:
            t_s, what = extinction_s(s, w, k), EXTINCTION
        else:
            t_s, what = conduction_s(p, w, k), CONDUCTION
        if t_s < at_s:
            at_s, kind, leg = t_s, what, k
    return at_s, kind, leg


@kernel
def earliest(p: Record, s: Record, w: Record, corner_rad: float, within_rad: float) -> tuple[float, int, int]:
    """Earliest event of the trial segment `w`: (time after its start [s] or infinity, kind, leg).

    `corner_rad`: electrical angle to the next corner or Hall edge, met when passed by less than `within_rad`.
    """
    if w.turned_back and w.h_s > SHORTEST_TURN_s:
        return 0.5 * w.h_s, NOTHING, -1
    at_s, kind = math.inf, NOTHING
    if w.direction == 0:
        at_s = breakaway_s(p, s, w)
        kind = BREAKAWAY
    elif s.omega_rad_s * w.omega_end_rad_s < 0.0:
        at_s = w.h_s * s.omega_rad_s / (s.omega_rad_s - w.omega_end_rad_s)
        kind = STOP
    advance = w.advance_rad * w.direction
    if advance > corner_rad + within_rad:
        t_s = w.h_s * corner_rad / advance
        if t_s < at_s:
            at_s, kind = t_s, LANDING
    if p.trip_A > 0.0 and not s.tripped:
        t_s = trip_s(p, s, w)
        if t_s < at_s:
            at_s, kind = t_s, TRIP
    diode_s, diode_kind, leg = _earliest_diode(p, s, w)
    return (diode_s, diode_kind, leg) if diode_s < at_s else (at_s, kind, -1)


@kernel
def _carries(s: Record, k: int) -> bool:
    """Whether leg `k` is driven or its diode conducts."""
    return bool(s.leg[k] != OFF or s.diode[k] != OFF)


@kernel
def extinguish(s: Record, k: int) -> None:
    """Turn the diode of leg `k` off. What rounding left of its current goes to the other two, so that the sum
    stays zero; where only one other carried it back, that one ends as well."""
    first, second = (k + 1) % 3, (k + 2) % 3
    both = _carries(s, first) and _carries(s, second)
    for other in (first, second):
        s.i_A[other] = s.i_A[other] + 0.5 * s.i_A[k] if both else 0.0
        if not both:
            s.diode[other] = OFF
    s.i_A[k] = 0.0
    s.diode[k] = OFF
    s.unsettled = 1


@kernel
def turn_on(s: Record, w: Record, k: int) -> None:
    """Turn on the diode of floating leg `k`; `settle` finds the opposite one when nothing else conducts."""
    upper = w.w_end_V[k] > 0.5 * w.bus_V
    s.diode[k] = HIGH if upper else LOW
    s.unsettled = 1
