"""Flags, handlers and port accesses on the bench: one level, nothing interrupts a running handler.

The same rules as in `sim.processor` for that structure, without its trace and its motor; a test plays the
same edges on both. The body of a main loop runs once after every handler and takes no time, since interrupts
would come between; what they do in between is the matter of `bounds.torn_accesses` and of the simulation.
"""

from controllers.check.bench.records import (
    ASLEEP,
    BAD_OUTPUT,
    HALL_EDGE,
    HANDLER_COUNT,
    LOG_ENTER,
    LOG_LEAVE,
    LOG_READ,
    LOG_WRITE,
    MAIN_LOOP,
    MISSED_COMPARE,
    NEVER,
    SERVICE_ORDER,
    START,
)
from controllers.compare import ticks_behind
from controllers.jit import kernel
from controllers.machine import Record, run
from controllers.opcodes import IN
from controllers.ports import (
    IN_CAPTURED,
    IN_COMMAND_RPM,
    IN_HALL,
    IN_TIMER,
    IN_TRIPPED,
    OUT_COMPARE,
    OUT_DUTY,
    OUT_STEP,
    STEP_OFF,
)


@kernel
def note(k: Record, log: Record, kind: int, a: int, b: int) -> None:
    """Append a row of LOG_COLUMNS; a full log, or one without rows, stays as it is."""
    row = k.log_rows
    if row < log.shape[0]:
        log[row, 0] = k.now
        log[row, 1] = kind
        log[row, 2] = a
        log[row, 3] = b
        log[row, 4] = k.pc
        k.log_rows += 1


@kernel
def raise_flag(c: Record, k: Record, handler: int) -> None:
    """An event asks for its handler; a flag that is up already loses the event."""
    if c.handler_pc[handler] < 0:
        return
    if k.pending[handler]:
        if handler == HALL_EDGE:
            k.missed_edges += 1
        else:
            k.overruns += 1
        return
    k.pending[handler] = 1
    if k.handler == ASLEEP and k.wake == NEVER:
        k.wake = max(k.now, k.free)


@kernel
def enter(c: Record, k: Record, log: Record) -> None:
    """Take the first pending handler in the service order."""
    for handler in SERVICE_ORDER:
        if k.pending[handler]:
            k.pending[handler] = 0
            k.handler = handler
            k.pc = c.handler_pc[handler]
            k.resume = k.now + (0 if handler == MAIN_LOOP else c.entry_cycles)
            k.spent = 0
            note(k, log, LOG_ENTER, handler, 0)
            return


@kernel
def leave(c: Record, k: Record, log: Record) -> None:
    """The handler returns. A compare that it has left in the past is a finding: one that it wrote anew in
    time is not, since no match was lost."""
    handler = k.handler
    note(k, log, LOG_LEAVE, handler, 0)
    k.worst_cycles[handler] = max(k.worst_cycles[handler], k.spent)
    k.calls += 1
    if k.late_pc >= 0:
        found(c, k, MISSED_COMPARE, k.late_pc, k.finding_value)
        k.late_pc = -1
    k.free = k.now + (0 if handler in (START, MAIN_LOOP) else c.exit_cycles)
    if handler != MAIN_LOOP and c.handler_pc[MAIN_LOOP] >= 0:
        k.pending[MAIN_LOOP] = 1
    k.handler = ASLEEP
    k.resume = NEVER
    k.wake = NEVER
    for other in range(HANDLER_COUNT):
        if k.pending[other]:
            k.wake = k.free


@kernel
def found(c: Record, k: Record, finding: int, pc: int, value: int) -> None:
    """Count a finding; the one that is watched for stops the play."""
    k.found[finding] += 1
    if c.watch == finding and not k.stopped:
        k.stopped = 1
        k.finding_pc = pc
        k.finding_value = value


@kernel
def run_on(
    c: Record, k: Record, code: Record, cost: Record, ints: Record, floats: Record, faults: Record
) -> None:
    """Execute from `k.pc` to the next access; `k.resume` becomes the cycle at which that takes effect."""
    k.pc, cycles = run(code, cost, ints, floats, faults, k.pc)
    k.resume += cycles
    k.spent += cycles
    if 0 <= c.watch < faults.shape[1]:
        for pc in range(faults.shape[0]):
            if faults[pc, c.watch] and not k.stopped:
                k.stopped = 1
                k.finding_pc = pc


@kernel
def _read(c: Record, k: Record, port: int) -> int:
    """Value of an input port at `k.now`."""
    if port == IN_TIMER or (port == IN_CAPTURED and c.reads_count):
        return int((k.now // c.tick_cycles) & c.timer_mask)
    if port == IN_CAPTURED:
        return int(k.captured)
    if port == IN_HALL:
        return int(k.level)
    if port == IN_COMMAND_RPM:
        return int(k.command_rpm)
    if port == IN_TRIPPED:
        flag = int(k.trip_flag)
        k.trip_flag = 0
        return flag
    return 0


@kernel
def _write(c: Record, k: Record, port: int, value: int) -> None:
    """Write an output port at `k.now`."""
    if port == OUT_COMPARE:
        tick = k.now // c.tick_cycles
        behind = ticks_behind(tick, value, c.timer_mask)
        k.match = (tick - behind) * c.tick_cycles
        k.late_pc = -1
        if behind >= 0:
            k.match += (c.timer_mask + 1) * c.tick_cycles
            k.late_pc = k.pc
            k.finding_value = behind
    elif port == OUT_STEP:
        k.step = value
        if value > STEP_OFF:
            found(c, k, BAD_OUTPUT, k.pc, value)
    elif port == OUT_DUTY:
        k.duty = min(value, c.duty_top)
        if value > c.duty_top:
            found(c, k, BAD_OUTPUT, k.pc, value)


@kernel
def access(c: Record, k: Record, code: Record, ints: Record, log: Record) -> None:
    """Make the access that the handler stopped at and move on to the next instruction."""
    row = code[k.pc]
    port = row[5]
    if row[0] == IN:
        value = _read(c, k, port)
        ints[row[2]] = value
        note(k, log, LOG_READ, port, value)
    else:
        value = ints[row[3]]
        note(k, log, LOG_WRITE, port, value)
        _write(c, k, port, value)
    k.pc += 1
