"""Recovery from any state: a law whose variables were upset against the same law that was left alone."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import numpy as np

from controllers.check.bench.records import POKE, START, STEP_TIMER
from controllers.check.relations import SETTLING_TURNS, UntriedError, Wrong, wrong_at
from controllers.check.scenario import Event, Scenario, edges, poke, wait
from controllers.check.space import RUN_UP_EDGES, TOP_RPM, Choices, Space, pokes, run_up
from controllers.check.stand import Hardware
from controllers.check.subject import TICK, Subject
from controllers.check.traces import Trace, trace_of

RECOVERY_TURNS: Final = 4000
"""Electrical turns in which a law must have recovered from any state: a trim that was put at one end of its
range may need all of it to come back, a count a turn, and while the steps are long not every turn counts."""
FIRST_LOOK_TURNS: Final = 800
"""Nearly all are back by then; the others are given the whole time."""
REST_RANGES: Final = 12
"""Length of a rest in ranges of the timer: 18 steps, each of half of the range, tell a law that the rotor
stands; and a quarter of the rest is looked at."""
REST_S: Final = 6.0
"""No longer than this."""
FAR_BELOW: Final = 0.5
"""A rotor below this part of the command, or a command below this part of the rotor's speed, is far off: no
rounding of error or gain excuses a motor without voltage."""
SAME_STEP_DEG: Final = 15.0
"""A step within a quarter of a step of its place counts as in place, as in the simulation."""
_WHOLE_TURN_DEG: Final = 360.0


def _steady(space: Space, choices: Choices) -> tuple[int, int, int]:
    """Turn [ticks], command [rpm], and the ticks from the beginning of a turn at which the statics change."""
    part, command, rows = choices
    period = space.shortest_ticks + part * (space.longest_ticks - space.shortest_ticks) // space.most_start
    # a rotor that is to be far slower does not stay as fast
    speed = min(max(command, 1, int(FAR_BELOW * space.rpm_ticks / period)), TOP_RPM)
    return period, speed, sum(row[1] - space.shortest_ticks for row in rows) % period


def _changes(space: Space, choices: Choices, after_ticks: int) -> tuple[Event, ...]:
    """The statics that change, all at one moment."""
    events = (space.event(*row) for row in choices[2])
    return tuple(poke(slot, value, after_ticks) for _, _, slot, value in events)


def _poked(space: Space, choices: Choices) -> Scenario:
    period, speed, moment = _steady(space, choices)
    begin = (run_up(space.hardware, period), edges(period, SETTLING_TURNS))
    changes = _changes(space, choices, moment)
    return Scenario(0, speed, (*begin, *changes, edges(period, RECOVERY_TURNS)), space.names)


def poked_states(subject: Subject) -> Space:
    """A rotor at a steady speed, half of which is commanded or more; statics that become anything, somewhere
    in a turn; the same speed for 4000 turns more."""
    shortest = 2 * subject.shortest_turn_ticks
    longest = max(shortest, subject.longest_turn_ticks)
    return Space(subject.program, subject.hardware, (POKE,), 3, shortest, longest,
                 pokes(subject.program), 1000, make=_poked)  # fmt: skip


def judge_recovery(subject: Subject, scenario: Scenario) -> Wrong | None:
    """At the end the steps stand where they do without the disturbance, and the coils are not without voltage
    where the disturbance alone switched it off: far below the command, where nothing else asks for that."""
    return _judged(subject, scenario, _nothing)


Judgement = Callable[[Subject, Scenario, Trace, Trace], Wrong | None]
"""Of a scenario's trace beside that without the disturbance."""


def _nothing(subject: Subject, scenario: Scenario, trace: Trace, other: Trace) -> Wrong | None:
    del subject, scenario, trace, other
    return None


def _judged(subject: Subject, scenario: Scenario, at_once: Judgement) -> Wrong | None:
    """What no time mends is judged after the first look, what is still lost then after all the turns."""
    *before, (kind, period, _, bend) = scenario.events
    first = replace(scenario, events=(*before, (kind, period, FIRST_LOOK_TURNS, bend)))
    trace, other = _both(subject, first)
    wrong = _given_up(subject, trace) or at_once(subject, first, trace, other)
    if wrong is not None or _still_lost(subject, first, trace, other) is None:
        return wrong
    trace, other = _both(subject, scenario)
    return _given_up(subject, trace) or _still_lost(subject, scenario, trace, other)


def _both(subject: Subject, scenario: Scenario) -> tuple[Trace, Trace]:
    """The scenario, and the same without the disturbance."""
    calm = replace(scenario, events=tuple(e for e in scenario.events if e[0] != POKE))
    trace, other = trace_of(subject.bench, scenario), trace_of(subject.bench, calm)
    if not other.is_complete:
        raise UntriedError
    return trace, other


def _given_up(subject: Subject, trace: Trace) -> Wrong | None:
    """A disturbed play that found no end, though the other did."""
    if trace.is_complete:
        return None
    found = f"given up after {trace.call[-1]:,} handler calls"
    return wrong_at(subject, trace, -1, "an end, as without the disturbance", found)


def _still_lost(subject: Subject, scenario: Scenario, trace: Trace, other: Trace) -> Wrong | None:
    """Duty or steps that are wrong in the last two turns."""
    places = other.edges[-3:]
    if not len(trace.steps):
        return None
    off = _switched_off(subject, scenario, trace, other)
    if off is not None:
        return off
    found, usual = _steps_between(trace, places), _steps_between(other, places)
    turn = float(places[-1] - places[-2])
    worst, allowed = _largest_shift(found, usual, turn), _allowed_shift(subject, turn)
    if worst <= allowed:
        return None
    expected = (
        f"steps within {allowed:.0f} degrees of where they are without the disturbance, "
        f"after {scenario.events[-1][2]:,} turns"
    )
    counted = f"{len(found)} steps in the last two turns, not {len(usual)}"
    is_counted = worst >= _WHOLE_TURN_DEG
    return wrong_at(
        subject, trace, int(trace.steps[-1]), expected, counted if is_counted else f"{worst:,.0f} degrees"
    )


def _allowed_shift(subject: Subject, turn_cycles: float) -> float:
    """Shift of a step that counts as none: a step may have to wait for a control tick that takes another
    branch, since its duty may still differ [electrical deg]."""
    tick_cycles = subject.linked.worst_case_cycles.get(TICK, 0)
    return SAME_STEP_DEG + tick_cycles / turn_cycles * _WHOLE_TURN_DEG


def _switched_off(subject: Subject, scenario: Scenario, trace: Trace, other: Trace) -> Wrong | None:
    """A duty of 0, throughout the last two turns, that the disturbance left although the rotor is far slower
    than commanded."""
    end = other.edges[-1]
    turn_ticks = (end - other.edges[-2]) / subject.hardware.tick_cycles
    is_slow = subject.rpm_ticks / turn_ticks < FAR_BELOW * scenario.command_rpm
    usual, set_at = other.duty_at(end), trace.cycles(trace.duties)
    lately = trace.duties[(set_at > other.edges[-3]) & (set_at <= end)]
    if not is_slow or usual == 0 or trace.duty_at(other.edges[-3]) > 0 or trace.values(lately).any():
        return None
    turns = scenario.events[-1][2]
    expected = f"duty {usual:,} far below the command, as without the disturbance, after {turns:,} turns"
    written = trace.duties[set_at <= end]
    row = written[-1] if len(written) else trace.steps[-1]
    return wrong_at(subject, trace, int(row), expected, "duty 0")


def _rest(hardware: Hardware) -> int:
    """Length of a rest [ticks]."""
    return min(REST_RANGES * hardware.timer_range, int(REST_S / hardware.tick_s))


def _poked_at_rest(space: Space, choices: Choices) -> Scenario:
    period, speed, moment = _steady(space, choices)
    turning = (run_up(space.hardware, period), edges(period, SETTLING_TURNS))
    begin = turning if choices[0] % 2 else ()
    after = (wait(_rest(space.hardware)), run_up(space.hardware, period), edges(period, RECOVERY_TURNS))
    return Scenario(0, speed, (*begin, *_changes(space, choices, moment), *after), space.names)


def poked_rests(subject: Subject) -> Space:
    """A rotor that rests, or that stops; statics that become anything; a long rest; a run-up, and 4000 turns
    more."""
    return replace(poked_states(subject), make=_poked_at_rest)


def judge_rest(subject: Subject, scenario: Scenario) -> Wrong | None:
    """At the end of the rest the law steps as it does without the disturbance, half as often at least, and at
    the end of the turns its steps are where they are without it."""
    return _judged(subject, scenario, _asleep)


def _asleep(subject: Subject, scenario: Scenario, trace: Trace, other: Trace) -> Wrong | None:
    """Too few steps in the last quarter of the rest."""
    end = other.edges[-(RUN_UP_EDGES + scenario.events[-1][2])]
    rest = _rest(subject.hardware)
    lately = (end - rest // 4 * subject.hardware.tick_cycles, end)
    found, usual = len(_steps_between(trace, lately)), len(_steps_between(other, lately))
    if 2 * found >= usual:
        return None
    expected = (
        f"{usual:,} steps in the last quarter of a rest of {rest:,} ticks, as without the disturbance, "
        "or half of them"
    )
    return wrong_at(subject, trace, _last_timed(trace, end), expected, f"{found:,}")


def _last_timed(trace: Trace, end: float) -> int:
    """Row in which the step timer's handler returned last before a cycle; the start's, where none did."""
    rows = trace.returns(STEP_TIMER)
    before = rows[trace.cycles(rows) <= end]
    return int(before[-1] if len(before) else trace.returns(START)[0])


def _steps_between(trace: Trace, places: Any) -> Any:
    cycles = trace.cycles(trace.steps)
    return cycles[(cycles >= places[0]) & (cycles < places[-1])]


def _largest_shift(found: Any, expected: Any, turn: float) -> float:
    """Largest distance of a step from the nearest one of the other row [electrical deg]; 360 where a turn has
    two steps too few or too many (one may fall on the edge)."""
    if abs(len(found) - len(expected)) > 2 or len(expected) > len(found) == 0:
        return _WHOLE_TURN_DEG
    shifts = [np.abs(found - place).min() for place in expected[1:-1]]
    return float(max(shifts, default=0)) / turn * _WHOLE_TURN_DEG
