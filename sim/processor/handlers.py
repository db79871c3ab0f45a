"""Pending flags one deep, and the one handler that runs at a time.

A handler runs ahead in the machine up to its next hardware access, which then takes effect at its own cycle:
nothing outside can tell the difference, since only accesses touch the outside and one level of handlers
cannot be preempted.
"""

from controllers.jit import kernel
from controllers.machine import run
from sim.plant.records import Record
from sim.processor.log import note
from sim.processor.records import (
    ASLEEP,
    CONTROL_TICK,
    HALL_EDGE,
    HANDLER_COUNT,
    LOG_ENTER,
    LOG_LEAVE,
    NEVER,
    SERVICE_ORDER,
    START,
)


@kernel
def _plan_wake(c: Record, k: Record) -> None:
    """The processor is asleep and a flag is up: it notices now, or at the next round of the polling loop."""
    if k.now <= k.free:
        k.wake = k.free
    else:
        k.wake = k.free + -(-(k.now - k.free) // c.poll_loop_cycles) * c.poll_loop_cycles


@kernel
def raise_flag(c: Record, k: Record, handler: int, due: int) -> None:
    """An event asks for its handler; a flag that is up already loses the event, which is counted."""
    if c.handler_pc[handler] < 0:
        return
    if k.pending[handler]:
        if handler == HALL_EDGE:
            k.missed_edges += 1
        else:
            k.overruns += 1
        return
    k.pending[handler] = 1
    k.pending_due[handler] = due
    if k.handler == ASLEEP and k.wake == NEVER:
        _plan_wake(c, k)


@kernel
def run_on(k: Record, code: Record, cost: Record, ints: Record, floats: Record, faults: Record) -> None:
    """Execute from `k.pc` to the next access; `k.resume` becomes the cycle at which that takes effect."""
    k.pc, cycles = run(code, cost, ints, floats, faults, k.pc)
    k.resume += cycles


@kernel
def enter(c: Record, k: Record, log: Record) -> None:
    """Take the first pending handler in the service order: its flag falls, its entry cycles begin."""
    for handler in SERVICE_ORDER:
        if k.pending[handler]:
            k.pending[handler] = 0
            k.asked = k.pending_due[handler]
            k.handler = handler
            k.pc = c.handler_pc[handler]
            k.resume = k.now + c.entry_cycles
            note(k, log, LOG_ENTER, handler, 0)
            return


@kernel
def leave(c: Record, k: Record, log: Record) -> None:
    """The handler returns: exit cycles, bookkeeping, and sleep until `k.free` at least."""
    handler = k.handler
    note(k, log, LOG_LEAVE, handler, 0)
    # the start handler is what reset jumps to: nobody to return to
    k.free = k.now + (0 if handler == START else c.exit_cycles)
    cycles = k.free - k.wake
    k.busy_cycles += cycles
    k.runs[handler] += 1
    if cycles > k.worst_cycles[handler]:
        k.worst_cycles[handler] = cycles
    k.handler = ASLEEP
    k.resume = NEVER
    k.wake = NEVER
    for other in range(HANDLER_COUNT):
        if k.pending[other]:
            k.wake = k.free


@kernel
def control_tick(c: Record, k: Record) -> None:
    """The control timer reloads by itself: its flag comes at exact multiples of its period."""
    raise_flag(c, k, CONTROL_TICK, k.now)
    k.next_tick += c.control_cycles
