"""The simulation loop: advance the plant to the processor's next cycle of interest, handle it, again.

Everything that falls on one cycle is handled in a fixed order: Hall edge, timer match, control tick, PWM
edge, sample, and last the processor's own access, which therefore sees the hardware as it stands at the end
of that cycle. A Hall edge between two cycles is seen at the later one, as a synchronised input does.
"""

import math

from controllers.jit import kernel
from controllers.opcodes import RET
from sim.loop.trace import mechanical_rad, sample
from sim.plant.advance import HALL_RISE, LOST, REACHED, TRIPPED, advance
from sim.plant.circuit import set_legs
from sim.plant.hall import level_at
from sim.plant.records import Record
from sim.processor.access import access
from sim.processor.execution import Machine, catch_up, end_spinning, go_on
from sim.processor.handlers import control_tick, leave, raise_flag, take
from sim.processor.log import note
from sim.processor.records import (
    ASLEEP,
    HALL_EDGE,
    LOG_HALL,
    LOG_MATCH,
    LOG_PWM,
    LOG_TICK,
    STEP_TIMER,
)
from sim.processor.timers import count_at, match_again, pwm_edge, take_trip

DONE, SEGMENTS_SPENT, NO_PROGRESS = range(3)
"""How a run ended: at its time; stopped after more segments than a sane run needs; a segment that shrank to
nothing."""


@kernel
def _hall_edge(s: Record, c: Record, k: Record, log: Record, taken: bool) -> None:
    """Capture the count and ask for the handler on an edge of the sense that the capture takes."""
    if taken:
        k.captured = count_at(c, k.now)
        k.hall_edges += 1
        raise_flag(c, k, HALL_EDGE, k.now)
    note(k, log, LOG_HALL, s.hall, k.captured)


@kernel
def _peripherals(p: Record, s: Record, c: Record, k: Record, log: Record) -> None:
    """Timer match, control tick and PWM edge that fall on `k.now`."""
    if k.match == k.now:
        note(k, log, LOG_MATCH, count_at(c, k.now), 0)
        due = k.match_due
        match_again(c, k)
        raise_flag(c, k, STEP_TIMER, due)
    if k.next_tick == k.now:
        note(k, log, LOG_TICK, 0, 0)
        control_tick(c, k)
    if k.pwm_edge == k.now:
        level = pwm_edge(c, k)
        if level != s.pwm_on or s.tripped:
            s.pwm_on, s.tripped = level, 0
            set_legs(p, s)
            note(k, log, LOG_PWM, level, 0)


@kernel
def _processor(
    p: Record,
    s: Record,
    c: Record,
    k: Record,
    m: Machine,
    scratch: Machine,
    commands: Record,
    log: Record,
) -> None:
    """Let the processor do all that it does at `k.now`: accesses, the return, the entry of the next
    handler."""
    is_planned = k.now > 0  # at reset nobody has looked ahead yet
    while True:
        if not is_planned:
            go_on(c, k, m, scratch)
        is_access = k.resume == k.now
        if not is_access and k.wake != k.now:
            break
        if k.handler != ASLEEP:
            catch_up(k, m)
        if not is_access:
            take(c, k, log)
        else:
            k.at = k.now
            if m.code[k.pc, 0] == RET:
                leave(c, k, log)
            else:
                access(p, s, c, k, m, commands, log)
        is_planned = k.handler == ASLEEP
    s.busy = k.handler


@kernel
def _next_cycle(c: Record, k: Record) -> int:
    """The next cycle at which anything but the plant happens."""
    return min(min(k.wake, k.resume), k.match, min(k.next_tick, k.pwm_edge), min(k.next_sample, c.end_cycle))


@kernel
def spin(
    p: Record,
    s: Record,
    w: Record,
    shape: Record,
    c: Record,
    k: Record,
    m: Machine,
    scratch: Machine,
    commands: Record,
    trace: Record,
    window: Record,
    log: Record,
    max_segments: int,
) -> int:
    """Run from reset to `c.end_cycle`; returns DONE, SEGMENTS_SPENT or NO_PROGRESS.

    Args:
        p, s, w: PLANT, PLANT_STATE, SEGMENT records.
        shape: back-EMF table (knots + 1, 3).
        c, k: PROCESSOR and PROCESSOR_STATE records; reset puts the on_start handler in `k`.
        m: the Program's arrays, see `controllers.machine.run_until`.
        scratch: the same code and cost with variables and fault counters to try things out on.
        commands: rows (at_s, speed_rpm).
        trace, window, log: output rows, any number of them, also none.
        max_segments: a run that needs more is stopped.
    """
    s.level = level_at(p, s)
    s.hall = s.level
    k.sample_angle = mechanical_rad(p, s)
    while True:
        cycle = _next_cycle(c, k)
        outcome = advance(p, s, w, shape, cycle / c.clock_Hz, window)
        if outcome == LOST:
            return NO_PROGRESS
        if s.segments > max_segments:
            return SEGMENTS_SPENT
        if outcome != REACHED:
            k.now = min(cycle, math.ceil(s.t_s * c.clock_Hz))
            if outcome == TRIPPED:
                take_trip(c, k, log)
                continue
            _hall_edge(s, c, k, log, outcome == HALL_RISE or p.hall_both)
            continue
        k.now = cycle
        if cycle == c.end_cycle:
            # nothing is done at the last cycle; a polled round is over at the end of its body
            end_spinning(k, cycle - 1 + (c.loop_cycles if c.polls else 0))
            return DONE
        _peripherals(p, s, c, k, log)
        if k.next_sample == cycle:
            sample(p, s, c, k, commands, trace)
        _processor(p, s, c, k, m, scratch, commands, log)
