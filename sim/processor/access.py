"""Hardware accesses of a running handler: each takes effect at the cycle `k.now` of its instruction."""

import math

from controllers.jit import kernel
from controllers.opcodes import IN
from controllers.ports import (
    IN_CAPTURED,
    IN_COMMAND_RPM,
    IN_HALL,
    IN_TIMER,
    OUT_COMPARE,
    OUT_DUTY,
    OUT_STEP,
)
from sim.plant.circuit import STEPS, set_legs
from sim.plant.records import Record
from sim.processor.log import note
from sim.processor.records import (
    LATE_STEP_DEG,
    LOG_READ,
    LOG_WRITE,
    START,
)
from sim.processor.timers import count_at, write_compare, write_duty

_STEP_DEG = 60.0
_FEWEST_STEPS, _MOST_STEPS = 5, 7
"""A turn of the rotor answered by fewer or more steps than these slipped: six, give or take the one at the edge itself."""


@kernel
def command_rpm(commands: Record, t_s: float) -> float:
    """Commanded speed at a time: the last row (at_s, speed_rpm) that has begun."""
    speed = 0.0
    for row in range(commands.shape[0]):
        if commands[row, 0] <= t_s:
            speed = commands[row, 1]
    return speed


@kernel
def _book_lateness(p: Record, s: Record, c: Record, k: Record) -> None:
    """How late the step came after the event that asked for it; the first one, at reset, was asked by nobody."""
    if k.handler == START:
        return
    cycles = k.now - k.asked
    electrical_deg_per_s = math.degrees(abs(s.omega_rad_s)) * p.pole_pairs
    degrees = cycles / c.clock_Hz * electrical_deg_per_s
    k.last_late_deg = degrees
    k.late_steps += degrees > LATE_STEP_DEG
    k.worst_late_cycles = max(k.worst_late_cycles, cycles)
    k.worst_late_deg = max(k.worst_late_deg, degrees)


@kernel
def _write_step(p: Record, s: Record, c: Record, k: Record, step: int) -> None:
    """Switch the bridges to `step`; writing the step that is on already changes nothing."""
    if step == s.step:
        return
    s.step = step
    set_legs(p, s)
    if step >= STEPS:
        return
    k.steps += 1
    k.steps_in_turn += 1
    if k.steps_in_turn > _MOST_STEPS and (k.steps_in_turn - _MOST_STEPS) % STEPS == 1:
        book_slip(k)
    k.step_cycles = k.now - k.last_step_cycle
    k.last_step_cycle = k.now
    _book_lateness(p, s, c, k)
    angle_deg = math.degrees(s.knot * p.cell_rad + s.u_rad)
    k.angle_error_deg = (angle_deg - _STEP_DEG * step + 180.0) % 360.0 - 180.0


@kernel
def book_slip(k: Record) -> None:
    """Count a turn in which steps and rotor parted."""
    k.slips += 1
    k.last_slip = k.now


@kernel
def close_turn(k: Record) -> None:
    """At a rising Hall edge: a turn with too few steps slipped (too many were counted while they were made)."""
    if k.hall_edges > 0 and k.steps_in_turn < _FEWEST_STEPS:
        book_slip(k)
    k.hall_edges += 1
    k.steps_in_turn = 0


@kernel
def _read(p: Record, s: Record, c: Record, k: Record, commands: Record, port: int) -> int:
    """Value of an input port at `k.now`."""
    if port == IN_TIMER:
        return count_at(c, k.now)
    if port == IN_CAPTURED:
        return int(k.captured)
    if port == IN_HALL:
        return int(s.hall)
    if port == IN_COMMAND_RPM:
        return int(command_rpm(commands, k.now / c.clock_Hz) + 0.5)
    return 0


@kernel
def _write(p: Record, s: Record, c: Record, k: Record, port: int, value: int) -> None:
    """Write an output port at `k.now`."""
    if port == OUT_COMPARE:
        write_compare(c, k, value)
    elif port == OUT_STEP:
        _write_step(p, s, c, k, value)
    elif port == OUT_DUTY:
        write_duty(c, k, value)


@kernel
def access(
    p: Record, s: Record, c: Record, k: Record, code: Record, ints: Record, commands: Record, log: Record
) -> None:
    """Make the access that the handler stopped at and move on to the next instruction."""
    row = code[k.pc]
    port = row[5]
    if row[0] == IN:
        value = _read(p, s, c, k, commands, port)
        ints[row[2]] = value
        note(k, log, LOG_READ, port, value)
    else:
        value = ints[row[3]]
        _write(p, s, c, k, port, value)
        note(k, log, LOG_WRITE, port, value)
    k.pc += 1
