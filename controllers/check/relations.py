"""Properties that compare two plays of the same events, or what came before a turn with what came after it.
Each judgement takes a scenario and returns what is wrong with it, or None."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from controllers.check.bench.records import EDGES, POKE
from controllers.check.scenario import Scenario, edges
from controllers.check.space import TOP_RPM, Choices, Space, free_space, pokes, run_up
from controllers.check.subject import Subject
from controllers.check.traces import Trace, comparable, trace_of

SETTLING_TURNS: Final = 192
"""Electrical turns in which a law must have settled: half a second at 10,000 rpm with two pole pairs (our own
convention)."""
RECOVERY_TURNS: Final = 600
"""And in which it must have recovered from any state: a trim that was put at one end of its range may need
all of it to come back, a count a turn."""
FAR_BELOW: Final = 0.5
"""A rotor below this part of the command, or a command below this part of the rotor's speed, is far off: no
rounding of error or gain excuses a motor without voltage."""
SAME_STEP_DEG: Final = 15.0
"""A step within a quarter of a step of its place counts as in place, as in the simulation."""
_WHOLE_TURN_DEG: Final = 360.0
ALIAS_PART: Final = 0.5
"""A step interval below this part of the shortest one before: a wrapped period was taken for a real one."""


@dataclass(frozen=True)
class Wrong:
    """What a judgement found: the handler call that shows it, its instruction (pc of the Program), expected
    and found in words."""

    call: int
    pc: int
    expected: str
    found: str


def wrong_at(subject: Subject, trace: Trace, row: int, expected: str, found: str) -> Wrong:
    """What is wrong, shown by one row of a trace."""
    return Wrong(int(trace.call[row]), subject.bench.origin(int(trace.rows[row, 4])), expected, found)


# timer at any count


def any_events(subject: Subject) -> Space:
    """Anything from outside."""
    return free_space(subject.program, subject.hardware)


def judge_any_count(subject: Subject, scenario: Scenario) -> Wrong | None:
    """The same events with the timer at another count: the same writes at the same cycles."""
    timer_range = subject.hardware.timer_range
    trace = trace_of(subject.bench, scenario)
    other = trace_of(subject.bench, replace(scenario, start_ticks=0))
    found, expected = comparable(trace, scenario.start_ticks, timer_range), comparable(other, 0, timer_range)
    shared = min(len(found), len(expected))
    differs = np.flatnonzero((found[:shared] != expected[:shared]).any(axis=1))
    if not len(differs):
        return None
    row = int(trace.writes[differs[0]])
    cycle, _, value = (int(n) for n in expected[differs[0]])
    return wrong_at(subject, trace, row, f"{value:,} at cycle {cycle:,}, as with the timer at 0 at reset",
               f"{int(found[differs[0]][2]):,} at cycle {int(trace.rows[row, 0]):,}")  # fmt: skip


# turns longer than the timer's range


def slow_turns(subject: Subject) -> Space:
    """Edges only, some of them further apart than the timer counts."""
    hardware = subject.hardware
    shortest = max(subject.shortest_turn_ticks, hardware.timer_range // 16)
    return Space(subject.program, hardware, (EDGES,), 3, shortest, hardware.timer_range * 5 // 4, (), 0)


def judge_slow_turns(subject: Subject, scenario: Scenario) -> Wrong | None:
    """After a turn that is too long for the timer the steps come no faster than before it."""
    trace = trace_of(subject.bench, scenario)
    places, range_cycles = trace.edges, subject.hardware.timer_range * subject.hardware.tick_cycles
    gaps = np.flatnonzero(np.diff(places) > range_cycles)
    if not (len(gaps) and trace.is_complete):
        return None
    slow = float(places[gaps[0] + 1])
    shortest = ALIAS_PART * min(trace.step_intervals(0, slow), default=0)
    later = [i for i in trace.step_intervals(slow, float("inf")) if i < shortest]
    is_slow_on = (np.diff(places[gaps[0] :]) > range_cycles).all()
    if not later or not is_slow_on:
        return None
    row = int(trace.steps[trace.cycles(trace.steps) > slow][0])
    tick = subject.hardware.tick_cycles
    turn = (places[gaps[0] + 1] - places[gaps[0]]) / tick
    expected = f"steps at least {shortest / tick:,.0f} ticks apart after a turn of {turn:,.0f} ticks"
    return wrong_at(subject, trace, row, expected, f"{later[0] / tick:,.0f} ticks")


# recovery from any static state


def _poked(space: Space, choices: Choices) -> Scenario:
    part, command, rows = choices
    period = space.shortest_ticks + part * (space.longest_ticks - space.shortest_ticks) // space.most_start
    # a rotor that is to be far slower does not stay as fast
    speed = min(max(command, 1, int(FAR_BELOW * space.rpm_ticks / period)), TOP_RPM)
    changes = tuple(space.event(*row) for row in rows)
    begin = (run_up(space.hardware, period), edges(period, SETTLING_TURNS))
    return Scenario(0, speed, (*begin, *changes, edges(period, RECOVERY_TURNS)), space.names)


def poked_states(subject: Subject) -> Space:
    """A rotor at a steady speed, half of which is commanded or more; statics that become anything; the same
    speed for 600 turns more."""
    shortest = 2 * subject.shortest_turn_ticks
    longest = max(shortest, subject.longest_turn_ticks)
    return Space(subject.program, subject.hardware, (POKE,), 3, shortest, longest,
                 pokes(subject.program), 1000, make=_poked)  # fmt: skip


def judge_recovery(subject: Subject, scenario: Scenario) -> Wrong | None:
    """At the end the steps stand where they do without the disturbance, and the coils are not without voltage
    where the disturbance alone switched it off: far below the command, where nothing else asks for that."""
    calm = replace(scenario, events=tuple(e for e in scenario.events if e[0] != POKE))
    trace, other = trace_of(subject.bench, scenario), trace_of(subject.bench, calm)
    places = other.edges[-3:]
    if not (trace.is_complete and other.is_complete and len(trace.steps)):
        return None
    off = _switched_off(subject, scenario, trace, other)
    if off is not None:
        return off
    found, usual = _steps_between(trace, places), _steps_between(other, places)
    worst = _largest_shift(found, usual, float(places[-1] - places[-2]))
    if worst <= SAME_STEP_DEG:
        return None
    expected = (
        f"steps within {SAME_STEP_DEG:g} degrees of where they are without the disturbance, "
        f"after {RECOVERY_TURNS} turns"
    )
    counted = f"{len(found)} steps in the last two turns, not {len(usual)}"
    is_counted = worst >= _WHOLE_TURN_DEG
    return wrong_at(
        subject, trace, int(trace.steps[-1]), expected, counted if is_counted else f"{worst:,.0f} degrees"
    )


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
    expected = (
        f"duty {usual:,} far below the command, as without the disturbance, after {RECOVERY_TURNS} turns"
    )
    written = trace.duties[set_at <= end]
    row = written[-1] if len(written) else trace.steps[-1]
    return wrong_at(subject, trace, int(row), expected, "duty 0")


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
