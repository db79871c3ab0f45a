"""Pending flags one deep, the handlers that they ask for, and the levels at which one interrupts another.

The entry and exit sequences of a handler cannot be interrupted: a flag that rises in them is looked at when
they are over. What falls on one cycle is settled in favour of the code that runs: an access or a return that
takes effect at the cycle of an interrupt still comes before it.
"""

from controllers.jit import kernel
from sim.plant.records import Record
from sim.processor.execution import end_round, end_spinning
from sim.processor.log import note
from sim.processor.records import (
    ASLEEP,
    CONTROL_TICK,
    HALL_EDGE,
    LOG_ENTER,
    LOG_LEAVE,
    MAIN_LOOP,
    NEVER,
    SERVICE_ORDER,
    START,
)


@kernel
def _may_take(c: Record, k: Record, handler: int) -> bool:
    """Whether a handler stands above what runs, and interrupts are not masked."""
    if k.masked:
        return False
    return k.handler == ASLEEP or c.level[handler] > c.level[k.handler]


@kernel
def _first_place(c: Record, k: Record) -> int:
    """Place in the service order of the handler to take next; the length of the order for none."""
    for place in range(k.turn, len(SERVICE_ORDER)):
        handler = SERVICE_ORDER[place]
        if k.pending[handler] and _may_take(c, k, handler):
            return place
    return len(SERVICE_ORDER)


@kernel
def _plan_wake(c: Record, k: Record) -> None:
    """A flag is up that may be taken: it is noticed now, or at the next round of the polling loop."""
    if k.now <= k.free:
        k.wake = k.free
    else:
        k.wake = k.free + -(-(k.now - k.free) // c.poll_loop_cycles) * c.poll_loop_cycles


@kernel
def _test_flags_at(k: Record, cycle: int) -> None:
    """The body of a polling loop is over: its round ends, and the flags are tested, at a cycle."""
    k.handler = ASLEEP
    k.resume = NEVER
    k.wake = cycle
    k.turn = 0
    end_round(k, cycle)


@kernel
def _leave_idle_rounds(c: Record, k: Record) -> None:
    """A flag is up in an idle polling loop: the round under way is played to its end."""
    spin_cycles = k.spin
    end_spinning(k, k.now - 1)
    k.resume = k.at + spin_cycles - c.loop_cycles
    if k.now > k.resume:  # its body is over already
        _test_flags_at(k, k.resume + c.loop_cycles)


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
    k.pending_since[handler] = k.now
    if c.polls and k.spin > 0:
        _leave_idle_rounds(c, k)
    elif k.wake == NEVER and _may_take(c, k, handler):
        _plan_wake(c, k)


@kernel
def write_mask(c: Record, k: Record, masked: int) -> None:
    """Mask interrupts from `k.now` on, or unmask them and look at the flags."""
    k.masked = masked
    k.wake = NEVER
    if _first_place(c, k) < len(SERVICE_ORDER):
        _plan_wake(c, k)


@kernel
def _begin(k: Record, handler: int, pc: int, at: int) -> None:
    """Let `handler` run from `pc`, whose instruction begins at cycle `at`."""
    k.handler = handler
    k.pc = pc
    k.at = at


@kernel
def _enter(c: Record, k: Record, log: Record, handler: int) -> None:
    """Its flag falls, its entry cycles begin."""
    k.pending[handler] = 0
    k.asked[handler] = k.pending_due[handler]
    k.since[handler] = k.pending_since[handler]
    k.entered[handler] = k.now
    k.stolen[handler] = 0
    k.below[handler] = k.handler
    note(k, log, LOG_ENTER, handler, k.handler + 1)
    k.free = k.now + (c.tail_chain_cycles if k.chained else c.entry_cycles)
    k.chained = 0
    _begin(k, handler, c.handler_pc[handler], k.free)


@kernel
def take(c: Record, k: Record, log: Record) -> None:
    """Take the first pending handler in the service order, from whatever runs. A polling loop that finds no
    flag up, or has dealt with all, comes to its own body instead."""
    place = _first_place(c, k)
    k.wake = NEVER
    if place == len(SERVICE_ORDER):
        _begin(k, MAIN_LOOP, c.handler_pc[MAIN_LOOP], k.now)
        return
    if k.handler != ASLEEP:
        k.saved_pc[k.handler] = k.pc
        k.saved_cycles[k.handler] = k.now - k.at
    if c.polls:
        k.turn = place + 1
    _enter(c, k, log, SERVICE_ORDER[place])


@kernel
def _book(k: Record, handler: int) -> None:
    """Count the run of a handler that gives the processor back at `k.free`."""
    cycles = k.free - k.entered[handler]
    own = cycles - k.stolen[handler]
    k.busy_cycles += own
    k.runs[handler] += 1
    k.worst_cycles[handler] = max(k.worst_cycles[handler], own)
    k.worst_response[handler] = max(k.worst_response[handler], k.free - k.since[handler])
    if handler == START:
        k.entered[MAIN_LOOP] = k.free
    else:
        k.stolen[k.below[handler] if k.below[handler] != ASLEEP else MAIN_LOOP] += cycles


@kernel
def handler_cycles(k: Record) -> int:
    """Cycles before `k.now` that were handlers', those of the running ones included, which `busy_cycles`
    counts when they end; an exit sequence under way is counted there already."""
    cycles, outermost, handler = k.busy_cycles, ASLEEP, k.handler
    while handler not in (ASLEEP, MAIN_LOOP):
        cycles -= k.stolen[handler]
        outermost = handler
        handler = k.below[handler]
    if outermost == ASLEEP:
        return int(cycles - max(0, k.free - k.now))
    return int(cycles + k.now - k.entered[outermost])


@kernel
def _next_round(c: Record, k: Record) -> None:
    """The main loop jumps back; a polling loop tests the flags before its next body."""
    if c.polls:
        _test_flags_at(k, k.now + c.loop_cycles)
    else:
        end_round(k, k.now)
        _begin(k, MAIN_LOOP, c.handler_pc[MAIN_LOOP], k.now)


@kernel
def _give_back(c: Record, k: Record, log: Record) -> None:
    """The handler returns to what it interrupted; with a flag up, that is interrupted again at once."""
    handler = k.handler
    note(k, log, LOG_LEAVE, handler, 0)
    below = k.below[handler]
    k.handler = below
    is_waiting = _first_place(c, k) < len(SERVICE_ORDER)
    k.chained = is_waiting and c.tail_chain_cycles > 0 and handler != START
    # the start handler is what reset jumps to: nobody to return to
    k.free = k.now + (0 if handler == START or k.chained else c.exit_cycles)
    _book(k, handler)
    if below == ASLEEP:
        k.resume = NEVER
    else:
        _begin(k, below, k.saved_pc[below], k.free - k.saved_cycles[below])
    k.wake = k.free if is_waiting or c.polls else NEVER


@kernel
def leave(c: Record, k: Record, log: Record) -> None:
    """The running code comes to its end at `k.now`."""
    if k.handler == MAIN_LOOP:
        _next_round(c, k)
    else:
        _give_back(c, k, log)


@kernel
def control_tick(c: Record, k: Record) -> None:
    """The control timer reloads by itself: its flag comes at exact multiples of its period."""
    raise_flag(c, k, CONTROL_TICK, k.now)
    k.next_tick += c.control_cycles
