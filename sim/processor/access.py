"""Hardware accesses of a running handler: each takes effect at the cycle `k.now` of its instruction."""

import math

from controllers.jit import kernel
from controllers.opcodes import IN
from controllers.ports import (
    IN_CAPTURED,
    IN_COMMAND_RPM,
    IN_HALL,
    IN_TIMER,
    IN_TRIPPED,
    OUT_COMPARE,
    OUT_DUTY,
    OUT_MASK,
    OUT_STEP,
)
from sim.plant.circuit import STEPS, set_legs
from sim.plant.records import Record
from sim.processor.execution import Machine
from sim.processor.handlers import write_mask
from sim.processor.log import note
from sim.processor.records import (
    LATE_STEP_DEG,
    LOG_READ,
    LOG_WRITE,
    MAIN_LOOP,
    OPPOSED_STEP_DEG,
    START,
)
from sim.processor.timers import count_at, take_trip_flag, write_compare, write_duty

_STEP_DEG = 60.0


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
    """How late the step came after the event that asked for it; the first one, at reset, and those of the
    main loop were asked by no event."""
    if k.handler in (START, MAIN_LOOP):
        return
    cycles = k.now - k.asked[k.handler]
    electrical_deg_per_s = math.degrees(abs(s.omega_rad_s)) * p.pole_pairs
    degrees = cycles / c.clock_Hz * electrical_deg_per_s
    k.sample_late_deg = max(k.sample_late_deg, degrees)
    k.late_steps += degrees > LATE_STEP_DEG
    k.worst_late_cycles = max(k.worst_late_cycles, cycles)
    k.worst_late_deg = max(k.worst_late_deg, degrees)


@kernel
def _book_angle(p: Record, s: Record, c: Record, k: Record, step: int) -> None:
    """How far from its place the rotor finds the new step: positive when the step comes late."""
    angle_rad = s.knot * p.cell_rad + s.u_rad
    if k.now >= c.settled_cycle:
        k.place_cos[step] += math.cos(angle_rad)
        k.place_sin[step] += math.sin(angle_rad)
        k.place_steps += 1
    angle_deg = math.degrees(angle_rad)
    error_deg = (angle_deg - _STEP_DEG * step + 180.0) % 360.0 - 180.0
    k.sample_error_deg += error_deg
    k.sample_steps += 1
    if abs(error_deg) > OPPOSED_STEP_DEG:
        k.opposed_steps += 1
        k.last_opposed = k.now


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
    k.last_step = k.now
    _book_lateness(p, s, c, k)
    _book_angle(p, s, c, k, step)


@kernel
def _read(s: Record, c: Record, k: Record, commands: Record, port: int) -> int:
    """Value of an input port at `k.now`."""
    if port == IN_TIMER:
        return count_at(c, k.now)
    if port == IN_CAPTURED:
        return count_at(c, k.now) if c.reads_count else int(k.captured)
    if port == IN_HALL:
        return int(s.hall)
    if port == IN_COMMAND_RPM:
        return int(command_rpm(commands, k.now / c.clock_Hz) + 0.5)
    if port == IN_TRIPPED:
        return take_trip_flag(k)
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
    elif port == OUT_MASK:
        write_mask(c, k, value)


@kernel
def access(p: Record, s: Record, c: Record, k: Record, m: Machine, commands: Record, log: Record) -> None:
    """Make the access that the running code stopped at and move on to the next instruction."""
    row = m.code[k.pc]
    port = row[5]
    if row[0] == IN:
        value = _read(s, c, k, commands, port)
        m.ints[row[2]] = value
        note(k, log, LOG_READ, port, value)
    else:
        value = int(m.ints[row[3]])
        _write(p, s, c, k, port, value)
        note(k, log, LOG_WRITE, port, value)
    k.pc += 1
