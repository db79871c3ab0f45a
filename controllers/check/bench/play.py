"""Play a scenario: the loop over cycles at which anything happens, and the door to it from Python.

What falls on one cycle is handled in the order of `sim.loop`: outside event, timer match, control tick, and
last the processor.
"""

from typing import Any

import numpy as np

from controllers.check.bench.events import outside_event
from controllers.check.bench.records import (
    ASLEEP,
    BENCH,
    BENCH_STATE,
    CONTROL_TICK,
    EVENT_COLUMNS,
    LOG_COLUMNS,
    LOG_MATCH,
    LOG_TICK,
    NEVER,
    STEP_TIMER,
)
from controllers.check.bench.service import access, enter, leave, note, raise_flag, run_on
from controllers.faults import FAULT_NAMES
from controllers.jit import NativeKernel, array, kernel
from controllers.machine import Record
from controllers.opcodes import RET
from controllers.program import COLUMNS

ENDED, GIVEN_UP = range(2)
"""How a play ended: after its last event, or at a watched finding; after `max_calls` handlers."""


@kernel
def _timers(c: Record, k: Record, log: Record) -> None:
    """Timer match, control tick and fall of the Hall level that are due at `k.now`."""
    if k.fall <= k.now:
        k.level = 0
        k.fall = NEVER
    if k.match == k.now:
        note(k, log, LOG_MATCH, (k.now // c.tick_cycles) & c.timer_mask, 0)
        k.match += (c.timer_mask + 1) * c.tick_cycles
        raise_flag(c, k, STEP_TIMER)
    if k.next_tick == k.now:
        note(k, log, LOG_TICK, 0, 0)
        raise_flag(c, k, CONTROL_TICK)
        k.next_tick += c.control_cycles


@kernel
def keep_state(ints: Record, floats: Record, before: Record, floats_before: Record) -> None:
    """Copy the slots."""
    for slot in range(ints.shape[0]):
        before[slot] = ints[slot]
        floats_before[slot] = floats[slot]


@kernel
def _processor(
    c: Record,
    k: Record,
    code: Record,
    cost: Record,
    ints: Record,
    floats: Record,
    faults: Record,
    log: Record,
    before: Record,
    floats_before: Record,
) -> None:
    """Let the processor do all that it does at `k.now`; `before` keeps the slots as the running handler
    found them."""
    while not k.stopped and k.calls < c.max_calls:
        if k.handler == ASLEEP:
            if k.wake != k.now:
                return
            enter(c, k, log)
            if c.keeps_state:
                keep_state(ints, floats, before, floats_before)
        else:
            if k.resume != k.now:
                return
            if code[k.pc, 0] == RET:
                leave(c, k, log)
                continue
            access(c, k, code, ints, log)
        if not k.stopped:
            run_on(c, k, code, cost, ints, floats, faults)


@kernel
def play(
    c: Record,
    k: Record,
    code: Record,
    cost: Record,
    ints: Record,
    floats: Record,
    faults: Record,
    events: Record,
    log: Record,
    before: Record,
    floats_before: Record,
) -> int:
    """Run from reset through all events and the handlers they ask for; returns ENDED or GIVEN_UP.

    Args:
        c, k: BENCH and BENCH_STATE records, `k` at reset with the start handler in it.
        code, cost, ints, floats, faults: the Program's arrays, see `controllers.machine.run`.
        events: int64 rows of EVENT_COLUMNS.
        log: int64 rows of LOG_COLUMNS to fill, any number.
        before, floats_before: the slots as the last handler found them, filled where `c.keeps_state` is set.
    """
    ending = ENDED
    if c.keeps_state:
        keep_state(ints, floats, before, floats_before)
    run_on(c, k, code, cost, ints, floats, faults)
    while not k.stopped:
        own = k.wake if k.handler == ASLEEP else k.resume
        if k.event >= events.shape[0] and own == NEVER:
            break
        if k.calls >= c.max_calls:
            ending = GIVEN_UP
            break
        k.now = min(min(own, k.match), min(k.next_tick, k.next_event))
        if k.next_event == k.now:
            outside_event(c, k, events, ints, floats, log)
        if k.next_event > k.now:
            _timers(c, k, log)
            _processor(c, k, code, cost, ints, floats, faults, log, before, floats_before)
    if c.watch < 0:
        for pc in range(faults.shape[0]):
            for kind in range(faults.shape[1]):
                k.found[kind] += faults[pc, kind]
    return ending


def _entry(
    c: Any, k: Any, code: Any, cost: Any, ints: Any, floats: Any, faults: Any, events: Any, log: Any,
    before: Any, floats_before: Any, instructions: int, slots: int, event_rows: int, log_rows: int,
) -> int:  # fmt: skip
    """Arrays and records at the addresses given, handed to `play`."""
    return play(
        array(c, 1, BENCH)[0],
        array(k, 1, BENCH_STATE)[0],
        array(code, (instructions, len(COLUMNS)), np.int32),
        array(cost, instructions, np.int64),
        array(ints, slots, np.int64),
        array(floats, slots, np.float64),
        array(faults, (instructions, len(FAULT_NAMES)), np.int64),
        array(events, (event_rows, len(EVENT_COLUMNS)), np.int64),
        array(log, (log_rows, len(LOG_COLUMNS)), np.int64),
        array(before, slots, np.int64),
        array(floats_before, slots, np.float64),
    )


native_play = NativeKernel("bench", _entry, 11, 4)
