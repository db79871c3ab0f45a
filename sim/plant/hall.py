"""The Hall sensor: its edges as angles that a segment ends on, with hysteresis; and the corners of the
back-EMF table."""

import math

import numpy as np
from numpy.typing import NDArray

from controllers.jit import kernel
from sim.plant.records import (
    FALL_BACKWARD,
    FALL_FORWARD,
    HALL_PLACES,
    RISE_BACKWARD,
    RISE_FORWARD,
    Record,
)

_CORNER = -1
_LEVEL_AFTER = (1, 0, 0, 1)
"""Level after passing each place: a rise met backward ends low, a fall met backward ends high."""
_EDGE_RISE, _EDGE_FALL = 1, 2
_PASSED_RAD = 1e-5
"""An edge overrun by the carry over a corner still counts: `s.hall` tells an edge that was taken from one
that was not."""

MIN_HYSTERESIS_RAD = 1e-6
"""A sensor without any hysteresis would chatter at standstill; real ones never have none."""


def hall_places(
    placement_error_deg: float, hysteresis_deg: float, knots: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Where the sensor switches, as (cell, angle in the cell) for the four HALL_PLACES.

    The rise lies where step 0 should begin plus the placement error, the fall half an electrical turn later;
    hysteresis shifts an edge by half its width in the sense of rotation.

    Args:
        placement_error_deg: electrical degrees, positive when the edge comes late.
        hysteresis_deg: electrical width between the switching points of the two senses of rotation.
        knots: cells of the back-EMF table.
    """
    cell = 2.0 * math.pi / knots
    half = max(math.radians(hysteresis_deg), MIN_HYSTERESIS_RAD) / 2.0
    rise = math.radians(placement_error_deg)
    angles = {
        RISE_FORWARD: rise + half,
        FALL_FORWARD: rise + math.pi + half,
        RISE_BACKWARD: rise - half,
        FALL_BACKWARD: rise + math.pi - half,
    }
    knot = np.zeros(HALL_PLACES, np.int64)
    u_rad = np.zeros(HALL_PLACES)
    for place, angle in angles.items():
        turn = angle % (2.0 * math.pi)
        forward = place in (RISE_FORWARD, FALL_FORWARD)
        knot[place] = (math.ceil(turn / cell) - 1 if forward else math.floor(turn / cell)) % knots
        u_rad[place] = turn - cell * math.floor(turn / cell)
        if forward and u_rad[place] == 0.0:
            u_rad[place] = cell
    return knot, u_rad


@kernel
def _next_cell(p: Record, s: Record, direction: int) -> None:
    """Step into the next cell in the sense of rotation; the angle carries over."""
    s.u_rad -= direction * p.cell_rad
    s.knot += direction
    if s.knot == p.knots:
        s.knot = 0
        s.turns += 1
    elif s.knot < 0:
        s.knot = p.knots - 1
        s.turns -= 1


@kernel
def corner_ahead(p: Record, s: Record, direction: int) -> tuple[float, int]:
    """Electrical angle to the next corner or Hall edge, and its Hall place (-1: a corner of the table)."""
    if direction == 0:
        return math.inf, _CORNER
    if direction > 0:
        place = FALL_FORWARD if s.hall else RISE_FORWARD
        edge_rad = p.hall_u_rad[place] - s.u_rad
        corner_rad = p.cell_rad - s.u_rad
    else:
        place = RISE_BACKWARD if s.hall else FALL_BACKWARD
        edge_rad = s.u_rad - p.hall_u_rad[place]
        corner_rad = s.u_rad
    if p.hall_knot[place] == s.knot and -_PASSED_RAD < edge_rad <= corner_rad:
        return max(edge_rad, 0.0), place
    return corner_rad, _CORNER


@kernel
def pass_corner(p: Record, s: Record, direction: int, place: int) -> int:
    """The rotor has reached a corner or a Hall edge; returns the edge (0 none, 1 rise, 2 fall)."""
    if place == _CORNER:
        _next_cell(p, s, direction)
        return 0
    s.hall = _LEVEL_AFTER[place]
    return _EDGE_RISE if s.hall else _EDGE_FALL


@kernel
def level_at(p: Record, s: Record) -> int:
    """Level of the sensor at the present angle, for a rotor that came there turning forward."""
    at = s.knot * p.cell_rad + s.u_rad
    rise = p.hall_knot[RISE_FORWARD] * p.cell_rad + p.hall_u_rad[RISE_FORWARD]
    return 1 if (at - rise) % (2.0 * math.pi) < math.pi else 0
