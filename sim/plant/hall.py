"""The Hall sensors: their edges as angles that a segment ends on, with hysteresis; and the corners of the
back-EMF table."""

import math

import numpy as np
from numpy.typing import NDArray

from controllers.jit import kernel
from sim.plant.disturbances import queue_edge
from sim.plant.records import (
    FALL_BACKWARD,
    FALL_FORWARD,
    HALL_PLACES,
    RISE_BACKWARD,
    RISE_FORWARD,
    SENSORS,
    Record,
)

_CORNER = -1
_LEVEL_AFTER = (1, 0, 0, 1)
"""Level after passing each place: a rise met backward ends low, a fall met backward ends high."""
_EDGE_RISE, _EDGE_FALL = 1, 2
_PASSED_RAD = 1e-5
"""An edge overrun by the carry over a corner still counts: `s.level` tells an edge that was taken from one
that was not."""

MIN_HYSTERESIS_RAD = 1e-6
"""A sensor without any hysteresis would chatter at standstill; real ones never have none."""
SPACING_DEG = 120.0
"""Electrical angle from sensor to sensor."""


def hall_places(
    placement_error_deg: float,
    hysteresis_deg: float,
    knots: int,
    pole_width_error_deg: float = 0.0,
    others_deg: tuple[float, float] = (0.0, 0.0),
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Where the sensors switch, as (cell, angle in the cell), arrays (SENSORS, HALL_PLACES).

    The rise of the first lies where step 0 should begin plus the placement error, the fall half an electrical
    turn later; the other sensors follow at SPACING_DEG. Hysteresis shifts an edge by half its width in the
    sense of rotation.

    Args:
        placement_error_deg: electrical degrees of all sensors, positive when their edges come late.
        hysteresis_deg: electrical width between the switching points of the two senses of rotation.
        knots: cells of the back-EMF table.
        pole_width_error_deg: by how much a north pole is wider than half an electrical turn.
        others_deg: what the second and the third sensor are off besides.
    """
    cell = 2.0 * math.pi / knots
    half = max(math.radians(hysteresis_deg), MIN_HYSTERESIS_RAD) / 2.0
    wider = math.radians(pole_width_error_deg) / 2.0
    knot = np.zeros((SENSORS, HALL_PLACES), np.int64)
    u_rad = np.zeros((SENSORS, HALL_PLACES))
    for sensor, own_deg in enumerate((0.0, *others_deg)):
        rise = math.radians(placement_error_deg + own_deg + SPACING_DEG * sensor)
        angles = {
            RISE_FORWARD: rise - wider + half,
            FALL_FORWARD: rise + wider + math.pi + half,
            RISE_BACKWARD: rise - wider - half,
            FALL_BACKWARD: rise + wider + math.pi - half,
        }
        for place, angle in angles.items():
            turn = angle % (2.0 * math.pi)
            forward = place in (RISE_FORWARD, FALL_FORWARD)
            knot[sensor, place] = (math.ceil(turn / cell) - 1 if forward else math.floor(turn / cell)) % knots
            u_rad[sensor, place] = turn - cell * math.floor(turn / cell)
            if forward and u_rad[sensor, place] == 0.0:
                u_rad[sensor, place] = cell
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
def _edge_ahead(p: Record, s: Record, direction: int, sensor: int) -> tuple[float, int]:
    """Electrical angle to the next edge of a sensor and its place, infinity where it is in another cell."""
    high = (s.level >> sensor) & 1
    if direction > 0:
        place = FALL_FORWARD if high else RISE_FORWARD
        edge_rad = p.hall_u_rad[sensor, place] - s.u_rad
    else:
        place = RISE_BACKWARD if high else FALL_BACKWARD
        edge_rad = s.u_rad - p.hall_u_rad[sensor, place]
    if p.hall_knot[sensor, place] == s.knot and edge_rad > -_PASSED_RAD:
        return max(edge_rad, 0.0), place
    return math.inf, place


@kernel
def corner_ahead(p: Record, s: Record, direction: int) -> tuple[float, int]:
    """Electrical angle to the next corner or Hall edge, and its number: HALL_PLACES * sensor + place, -1 for
    a corner of the table."""
    if direction == 0:
        return math.inf, _CORNER
    nearest_rad, number = p.cell_rad - s.u_rad if direction > 0 else s.u_rad, _CORNER
    for sensor in range(max(1, p.sensors)):
        edge_rad, place = _edge_ahead(p, s, direction, sensor)
        if edge_rad <= nearest_rad:
            nearest_rad, number = edge_rad, HALL_PLACES * sensor + place
    return nearest_rad, number


@kernel
def show(s: Record, sensor: int) -> int:
    """Turn the output of a sensor over; returns the edge (1 rise, 2 fall)."""
    s.hall ^= 1 << sensor
    return _EDGE_RISE if (s.hall >> sensor) & 1 else _EDGE_FALL


@kernel
def pass_corner(p: Record, s: Record, direction: int, number: int) -> int:
    """The rotor has reached a corner or a Hall edge; returns the edge (0 none, 1 rise, 2 fall) that the
    output shows at once."""
    if number == _CORNER:
        _next_cell(p, s, direction)
        return 0
    sensor = number // HALL_PLACES
    bit = 1 << sensor
    s.level = (s.level | bit) if _LEVEL_AFTER[number % HALL_PLACES] else (s.level & ~bit)
    if p.hall_delay_s + p.hall_jitter_s > 0.0:
        queue_edge(p, s, sensor)
        return 0
    return show(s, sensor)


@kernel
def level_at(p: Record, s: Record) -> int:
    """Levels of the sensors at the present angle, bit n of sensor n, for a rotor that came there turning
    forward."""
    at = s.knot * p.cell_rad + s.u_rad
    code = 0
    for sensor in range(max(1, p.sensors)):
        rise = p.hall_knot[sensor, RISE_FORWARD] * p.cell_rad + p.hall_u_rad[sensor, RISE_FORWARD]
        fall = p.hall_knot[sensor, FALL_FORWARD] * p.cell_rad + p.hall_u_rad[sensor, FALL_FORWARD]
        if (at - rise) % (2.0 * math.pi) < (fall - rise) % (2.0 * math.pi):
            code |= 1 << sensor
    return code
