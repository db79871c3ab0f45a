"""Properties that compare two plays of the same events, or what came before a turn with what came after it.
Each judgement takes a scenario and returns what is wrong with it, or None."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from controllers.check.bench.records import EDGES
from controllers.check.scenario import Scenario
from controllers.check.space import Space, free_space
from controllers.check.subject import Subject
from controllers.check.traces import Trace, comparable, trace_of

SETTLING_TURNS: Final = 192
"""Electrical turns in which a law must have settled: half a second at 10,000 rpm with two pole pairs (our own
convention)."""
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


class UntriedError(Exception):
    """A scenario that cannot be judged: the bench gave it up, or its log is full."""


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
