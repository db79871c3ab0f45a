"""Which scenarios a property is tried on: bounds of every number, and the hypothesis strategy over them.

A scenario is a flat row of whole numbers, so that hypothesis shrinks it well: fewer events first, then
smaller numbers; the first kind of the list is the simplest.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy

from controllers.check.bench.records import COMMAND, DRIVE, EDGES, GLITCH, POKE, TRIP, WAIT
from controllers.check.scenario import Event, Scenario, edges
from controllers.check.stand import Hardware
from controllers.kinds import MACHINE_KINDS
from controllers.ports import IN_TRIPPED
from controllers.program import Program, reads

MOST_EDGES: Final = 600
"""Edges in one event: enough to bring what moves by a count a turn to its end."""
RUN_UP_EDGES: Final = 96
MOST_CHANGE_TICKS: Final = 2000
MOST_EVENTS: Final = 10
LONGEST_WAIT_RANGES: Final = 1.25
"""Longest wait as a part of the timer's range: a quarter beyond the wrap."""
LONGEST_WAIT_S: Final = 4.0
"""The same for wide timers, in seconds."""
TOP_RPM: Final = 65535
SLOWEST_TURN_S: Final = 0.2
_CHANGES: Final = (-(1 << 31), (1 << 32) - 1)

Choices = tuple[int, int, tuple[Event, ...]]
"""start_ticks, command_rpm, and for each event: position in `Space.kinds`, ticks, count, change."""


@dataclass(frozen=True)
class Space:
    """Bounds of a scenario's numbers.

    kinds: kinds of event, the simplest first. statics: slots that POKE can change, with name and range (low,
    high). shortest_ticks, longest_ticks: of a wait. most_start: largest count of the timer at reset. make:
    what the numbers mean where that is more than events one after the other. longest_drive: ticks of a rotor
    that the law drives.
    """

    program: Program
    hardware: Hardware
    kinds: tuple[int, ...]
    most_events: int
    shortest_ticks: int
    longest_ticks: int
    statics: tuple[tuple[int, str, int, int], ...]
    most_start: int
    most_change: int = MOST_CHANGE_TICKS
    make: "Callable[[Space, Choices], Scenario] | None" = None
    longest_drive: int = 0

    def scenario(self, choices: Choices) -> Scenario:
        """The scenario that the numbers stand for."""
        if self.make is not None:
            return self.make(self, choices)
        start, command, rows = choices
        return Scenario(start, command, tuple(self.event(*row) for row in rows), self.names)

    @property
    def names(self) -> dict[int, str]:
        """Name of each static slot."""
        return {slot: name for slot, name, _, _ in self.statics}

    @property
    def rpm_ticks(self) -> float:
        """Ticks of an electrical turn times the speed in rpm."""
        return 60.0 * self.program.binding.tick_Hz / self.program.binding.pole_pairs

    def event(self, number: int, ticks: int, count: int, change: int) -> Event:
        """One event, its numbers held within the bounds."""
        kind = self.kinds[number]
        if kind == POKE:
            slot, _, low, high = self.statics[count % len(self.statics)]
            return (POKE, 0, slot, min(max(change, low), high))
        wait = min(max(ticks, self.shortest_ticks), self.longest_ticks)
        if kind == EDGES:
            bend = min(max(change, -self.most_change), self.most_change)
            return (EDGES, wait, min(max(count, 1), MOST_EDGES), bend if count > 1 else 0)
        return (kind, wait, count if kind in (COMMAND, DRIVE) else 0, 0)

    def strategy(self) -> SearchStrategy[Choices]:
        """All choices within the bounds."""
        row = st.tuples(
            st.integers(0, len(self.kinds) - 1),
            st.integers(self.shortest_ticks, self.longest_ticks),
            st.integers(0, TOP_RPM),
            st.integers(*_CHANGES),
        )
        rows = st.lists(row, max_size=self.most_events).map(tuple)
        return st.tuples(st.integers(0, self.most_start), st.integers(0, TOP_RPM), rows)

    def scenarios(self) -> SearchStrategy[Scenario]:
        """All scenarios within the bounds."""
        return self.strategy().map(self.scenario)


def flat(choices: Choices) -> tuple[bool | int, ...]:
    """The choices in the order in which `Space.strategy` draws them: hypothesis begins its shrinking with
    them."""
    start, command, rows = choices
    drawn: list[bool | int] = [start, command]
    for row in rows:
        drawn += [True, *row]
    return (*drawn, False)


def longest_wait(hardware: Hardware) -> int:
    """Longest wait of a scenario in ticks."""
    in_time = int(LONGEST_WAIT_S / hardware.tick_s)
    return min(int(hardware.timer_range * LONGEST_WAIT_RANGES), in_time)


def slowest_turn(hardware: Hardware) -> int:
    """The first turns after a start from rest: a quarter beyond the timer's range, 0.2 s at most [ticks]."""
    return min(int(hardware.timer_range * LONGEST_WAIT_RANGES), int(SLOWEST_TURN_S / hardware.tick_s))


def run_up(hardware: Hardware, period: int) -> Event:
    """A rotor that comes from its slowest turn up to a period: laws start on slow turns and may never catch a
    rotor that is fast already."""
    slowest = max(slowest_turn(hardware), period)
    return edges(slowest, RUN_UP_EDGES, (period - slowest) // (RUN_UP_EDGES - 1))


def pokes(program: Program) -> tuple[tuple[int, str, int, int], ...]:
    """Every static variable: slot, name, lowest and highest value that it can hold (f32, f64: those of
    i32)."""
    rows = []
    for name, slot in program.statics.items():
        kind = MACHINE_KINDS[program.slot_kinds[slot]]
        low, high = (-(1 << 31), (1 << 31) - 1) if kind.is_float else (kind.low, kind.high)
        rows.append((slot, name, max(low, _CHANGES[0]), min(high, _CHANGES[1])))
    return tuple(rows)


def free_space(program: Program, hardware: Hardware) -> Space:
    """Anything from outside, in any order, from one tick on."""
    return Space(
        program=program,
        hardware=hardware,
        kinds=(EDGES, WAIT, GLITCH, COMMAND, *((TRIP,) if reads(program, IN_TRIPPED) else ())),
        most_events=MOST_EVENTS,
        shortest_ticks=1,
        longest_ticks=longest_wait(hardware),
        statics=pokes(program),
        most_start=hardware.timer_range - 1,
    )
