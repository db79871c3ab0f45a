"""From event to event: the plant's clock work."""

import math

from controllers.jit import kernel
from sim.plant.agenda import keep_agenda
from sim.plant.circuit import set_legs, settle
from sim.plant.delta import ROUND, coil_A, coil_ohm, coil_square_A2s, copper_A2s
from sim.plant.drag import cogging_Nm, holding_Nm
from sim.plant.events import (
    CONDUCTION,
    CORNER_RAD,
    EDGE_RAD,
    EXTINCTION,
    NOTHING,
    STOP,
    STOP_RAD_S,
    TRIP,
    earliest,
    extinguish,
    turn_on,
)
from sim.plant.hall import corner_ahead, pass_corner
from sim.plant.records import OFF, Record
from sim.plant.segment import no_segment, start_shapes, torque_Nm, trial
from sim.plant.supply import book_supply, bus_slope_V_per_s
from sim.plant.window import record_window

REACHED, HALL_RISE, HALL_FALL, LOST, TRIPPED = range(5)
"""Why `advance` returned: the time asked for, a Hall edge, a segment that shrank to nothing (a defect), or
the over-current comparator."""

_MAX_TRIALS = 40
_STEADY_AFTER = 3
"""Segments of no length after which the supply's voltage is held at its present value: diodes that flicker
because it is predicted otherwise for each trial length must come to rest."""
_SAME = 1.0 - 1e-6
"""An event in the last millionth of a segment is its end: of a dying current, less than a millionth is
left."""


@kernel
def _direction(p: Record, s: Record, w: Record) -> int:
    """Sense of rotation, also of the one about to begin; 0 while stiction holds the rotor."""
    if s.omega_rad_s > 0.0:
        return 1
    if s.omega_rad_s < 0.0:
        return -1
    torque = torque_Nm(p, s, w.shape_start) + cogging_Nm(p, s, 0.0)
    if abs(torque) <= holding_Nm(p, s.load_Nm):
        return 0
    return 1 if torque > 0.0 else -1


@kernel
def _time_to_turn(p: Record, s: Record, direction: int, angle_rad: float) -> float:
    """Time to turn the electrical angle at the present speed and acceleration, or infinity."""
    v = p.pole_pairs * abs(s.omega_rad_s)
    a = p.pole_pairs * s.alpha_rad_s2 * direction
    under = v * v + 2.0 * a * angle_rad
    if under < 0.0:
        return math.inf
    reach = v + math.sqrt(under)
    return 2.0 * angle_rad / reach if reach > 0.0 else math.inf


@kernel
def _search(
    p: Record, s: Record, w: Record, shape: Record, h_s: float, corner_rad: float, within_rad: float
) -> tuple[int, int]:
    """Solve the longest segment, at most `h_s`, that no event ends earlier; returns (event kind, leg)."""
    kind, leg = NOTHING, -1
    for _ in range(_MAX_TRIALS):
        trial(p, s, w, shape, h_s)
        at_s, next_kind, next_leg = earliest(p, s, w, corner_rad, within_rad)
        if at_s >= h_s * _SAME:
            if kind == NOTHING and at_s <= h_s:
                kind, leg = next_kind, next_leg
            break
        h_s, kind, leg = at_s, next_kind, next_leg
        if h_s <= 0.0:
            no_segment(s, w)
            break
    return kind, leg


@kernel
def _book_energy(p: Record, s: Record, w: Record) -> None:
    """Add the segment's energies. Work terms use the mean speed, so that the mechanical part balances
    exactly."""
    mean = 0.5 * (s.omega_rad_s + w.omega_end_rad_s)
    s.friction_J += w.friction_Nm * mean * w.h_s
    s.iron_J += w.iron_Nm * mean * w.h_s
    s.load_J += w.load_Nm * mean * w.h_s
    s.cogging_J -= w.cogging_Nm * mean * w.h_s
    s.square_A2s += coil_square_A2s(p, w)
    s.copper_J += coil_ohm(p, s) * copper_A2s(p, w)
    s.switch_J += p.switch_ohm * w.square_A2s
    for k in range(3):
        if w.conducts[k] and s.diode[k] != OFF:
            s.diode_J += p.diode_V * abs(w.charge_A_s[k])
    book_supply(p, s, w)


@kernel
def _commit(p: Record, s: Record, w: Record, t_end_s: float, timed: bool) -> None:
    """Make the trial segment the new state."""
    _book_energy(p, s, w)
    if w.h_s > 1e-10:
        s.alpha_rad_s2 = (w.omega_end_rad_s - s.omega_rad_s) / w.h_s
    for k in range(3):
        s.i_A[k] = w.i_end_A[k]
    s.round_A = w.i_end_A[ROUND]
    for k in range(3):
        s.peak_A = max(s.peak_A, abs(coil_A(s.i_A, s.round_A, p.delta, k)))
    s.omega_rad_s = w.omega_end_rad_s
    s.u_rad += w.advance_rad
    s.t_s = t_end_s if timed else s.t_s + w.h_s
    s.segments += 1


@kernel
def _apply(p: Record, s: Record, w: Record, kind: int, leg: int) -> None:
    """What the electrical and standstill events change in the state."""
    if kind == EXTINCTION:
        extinguish(s, leg)
    elif kind == CONDUCTION:
        turn_on(s, w, leg)
    elif kind == TRIP:
        s.tripped = 1
        s.trips += 1
        set_legs(p, s)
    elif kind == STOP and abs(s.omega_rad_s) < STOP_RAD_S:
        s.omega_rad_s = 0.0
        s.alpha_rad_s2 = 0.0


@kernel
def _one_segment(p: Record, s: Record, w: Record, shape: Record, t_end_s: float, window: Record) -> int:
    """Advance by one segment; returns the edge it ended on, REACHED for none."""
    if s.t_s >= s.next_s:
        edge = keep_agenda(p, s)
        if edge != REACHED:
            return edge
    t_end_s = min(t_end_s, s.next_s)
    start_shapes(p, s, w, shape)
    if s.unsettled:
        settle(p, s, w)
    w.bus_V_per_s = bus_slope_V_per_s(p, s) if s.idle < _STEADY_AFTER else 0.0
    w.direction = _direction(p, s, w)
    corner_rad, place = corner_ahead(p, s, w.direction)
    within_rad = CORNER_RAD if place < 0 else EDGE_RAD
    if corner_rad <= within_rad:
        return pass_corner(p, s, w.direction, place)
    parts = math.ceil(corner_rad * (1.0 / p.max_segment_rad))
    room_s = min(t_end_s - s.t_s, p.max_segment_s)
    h_s = room_s
    if w.direction != 0:
        h_s = min(room_s, _time_to_turn(p, s, w.direction, corner_rad / parts))
    kind, leg = _search(p, s, w, shape, h_s, corner_rad, within_rad)
    if s.t_s >= p.window_from_s:
        record_window(p, s, w, window)
    _commit(p, s, w, t_end_s, w.h_s == t_end_s - s.t_s)
    _apply(p, s, w, kind, leg)
    if kind == TRIP:
        return TRIPPED
    if w.advance_rad * w.direction >= corner_rad - within_rad:
        return pass_corner(p, s, w.direction, place)
    return REACHED


@kernel
def advance(p: Record, s: Record, w: Record, shape: Record, t_end_s: float, window: Record) -> int:
    """Advance the plant to `t_end_s` or to the first Hall edge before it; returns REACHED, HALL_RISE,
    HALL_FALL, TRIPPED or LOST.

    Args:
        p, s, w: PLANT, PLANT_STATE and SEGMENT records; `s` is changed in place, `w` is working room.
        shape: back-EMF table, see `sim.plant.emf`.
        t_end_s: time to reach [s].
        window: close-up rows, see `sim.plant.window`.
    """
    s.idle = 0
    while s.t_s < t_end_s:
        before = s.t_s
        edge = _one_segment(p, s, w, shape, t_end_s, window)
        if edge != REACHED:
            return edge
        s.idle = s.idle + 1 if s.t_s == before else 0
        if s.idle > _MAX_TRIALS:
            return LOST
    return REACHED
