"""What happens to the firmware from outside: the events of a scenario, one after the other."""

from controllers.check.bench.motor import next_turn_cycle, turn_rotor
from controllers.check.bench.records import (
    ASLEEP,
    COMMAND,
    DRIVE,
    EDGES,
    GLITCH,
    HALL_EDGE,
    LOG_COMMAND,
    LOG_EDGE,
    LOG_POKE,
    LOG_TRIP,
    NEVER,
    POKE,
    TRIP,
)
from controllers.check.bench.service import note, raise_flag
from controllers.jit import kernel
from controllers.machine import Record


@kernel
def begin_event(c: Record, k: Record, events: Record) -> None:
    """Prepare the event `k.event`, which begins now."""
    if k.event >= events.shape[0]:
        k.next_event = NEVER
        return
    kind, wait, count = events[k.event, 0], events[k.event, 1], events[k.event, 2]
    if k.event == 0 or events[k.event - 1, 0] != POKE:
        k.begun = k.now
    k.next_event = max(k.now, k.begun + wait * c.tick_cycles)
    k.left = count if kind == EDGES else 1
    k.interval = wait
    if kind == DRIVE:
        k.drive_end = k.next_event
        k.driven_to = k.now
        k.rotor_speed = count * c.motor_turns_per_cycle_rpm
        k.next_event = next_turn_cycle(c, k)
    if k.left <= 0:
        end_event(k, events)


@kernel
def end_event(k: Record, events: Record) -> None:
    """The event is over: the next one begins."""
    k.event += 1
    k.next_event = NEVER
    if k.event < events.shape[0]:
        k.next_event = k.now  # begun at the next round of the loop
        k.left = -1


@kernel
def _edge(c: Record, k: Record, log: Record) -> None:
    k.captured = (k.now // c.tick_cycles) & c.timer_mask
    note(k, log, LOG_EDGE, k.level, k.captured)
    raise_flag(c, k, HALL_EDGE)


@kernel
def _edges(c: Record, k: Record, events: Record, log: Record) -> None:
    """A rising edge; the level falls again half the interval later."""
    k.level = 1
    _edge(c, k, log)
    k.fall = k.now + max(1, k.interval * c.tick_cycles // 2)
    k.left -= 1
    if k.left > 0:
        k.interval = max(1, k.interval + events[k.event, 3])
        k.next_event = k.now + k.interval * c.tick_cycles
    else:
        end_event(k, events)


@kernel
def _drive(c: Record, k: Record, events: Record, log: Record) -> None:
    """Turn the rotor; its edges are Hall edges."""
    passed = turn_rotor(c, k)
    if passed == 1:
        k.level = 1
        _edge(c, k, log)
    elif passed == 2:
        k.level = 0
    if k.now >= k.drive_end:
        end_event(k, events)
    else:
        k.next_event = min(next_turn_cycle(c, k), k.drive_end)


@kernel
def _poke(k: Record, ints: Record, floats: Record, slot: int, value: int, log: Record) -> None:
    """Change a static variable: both images, of which the program reads the one that its kind says."""
    ints[slot] = value
    floats[slot] = value
    note(k, log, LOG_POKE, slot, value)


@kernel
def outside_event(c: Record, k: Record, events: Record, ints: Record, floats: Record, log: Record) -> None:
    """Carry out what is due at `k.now`."""
    if k.left < 0:
        begin_event(c, k, events)
        return
    kind = events[k.event, 0]
    if kind == EDGES:
        _edges(c, k, events, log)
    elif kind == DRIVE:
        _drive(c, k, events, log)
    elif kind == POKE and k.handler != ASLEEP:
        k.next_event = k.resume + 1  # between two handlers, not inside one
    else:
        if kind == GLITCH:
            _edge(c, k, log)
        elif kind == COMMAND:
            k.command_rpm = events[k.event, 2]
            note(k, log, LOG_COMMAND, k.command_rpm, 0)
        elif kind == TRIP:
            k.trip_flag = 1
            note(k, log, LOG_TRIP, 0, 0)
        elif kind == POKE:
            _poke(k, ints, floats, events[k.event, 2], events[k.event, 3], log)
        end_event(k, events)
