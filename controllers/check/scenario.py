"""What a law is put through on the bench: a state of the timer, a command, and events one after the other."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from controllers.check.bench.records import (
    COMMAND,
    DRIVE,
    EDGES,
    EVENT_COLUMNS,
    GLITCH,
    POKE,
    TRIP,
    WAIT,
)

Event = tuple[int, int, int, int]
"""A row of EVENT_COLUMNS."""


def edges(after_ticks: int, count: int = 1, change_ticks: int = 0) -> Event:
    """`count` Hall edges, the first after `after_ticks`, each interval `change_ticks` longer."""
    return (EDGES, after_ticks, count, change_ticks)


def wait(ticks: int) -> Event:
    """No edge for so many ticks."""
    return (WAIT, ticks, 0, 0)


def glitch(after_ticks: int) -> Event:
    """After so many ticks an edge too short to be seen in the level of the sensor."""
    return (GLITCH, after_ticks, 0, 0)


def command(after_ticks: int, speed_rpm: int) -> Event:
    """After so many ticks another speed is commanded."""
    return (COMMAND, after_ticks, speed_rpm, 0)


def trip(after_ticks: int) -> Event:
    """After so many ticks the over-current comparator trips."""
    return (TRIP, after_ticks, 0, 0)


def poke(slot: int, value: int, after_ticks: int = 0) -> Event:
    """A static variable changes: a value that nobody wrote, as after a disturbance. The next event counts its
    time from where this one began to."""
    return (POKE, after_ticks, slot, value)


def drive(ticks: int, speed_rpm: int) -> Event:
    """For so many ticks the edges come from a rotor that steps and duty drive (`bench.motor`), at `speed_rpm`
    to begin with."""
    return (DRIVE, ticks, speed_rpm, 0)


_TEXTS: Final[Mapping[int, Callable[[int, int, int, "Scenario"], str]]] = {
    EDGES: lambda wait, count, change, _: _edges_text(wait, count, change),
    WAIT: lambda wait, _count, _change, _: f"no edge for {wait:,} ticks",
    GLITCH: lambda wait, _count, _change, _: f"a spike of the Hall sensor after {wait:,} ticks",
    COMMAND: lambda wait, count, _change, _: f"after {wait:,} ticks the command becomes {count:,} rpm",
    TRIP: lambda wait, _count, _change, _: f"an over-current trip after {wait:,} ticks",
    POKE: lambda wait, slot, value, s: _poke_text(wait, s.slot_names.get(slot, f"slot {slot}"), value),
    DRIVE: lambda wait, count, _change, _: (
        f"{wait:,} ticks of a rotor that the law drives, {count:,} rpm at first"
    ),
}


def _poke_text(wait: int, name: str, value: int) -> str:
    becomes = f"{name} becomes {value:,}"
    return f"{wait:,} ticks later {becomes}, and nothing else moves" if wait else becomes


def _edges_text(wait: int, count: int, change: int) -> str:
    if count == 1:
        return f"a Hall edge after {wait:,} ticks"
    more = f", each interval {change:+,} ticks" if change else ""
    return f"{count:,} Hall edges, {wait:,} ticks apart{more}"


@dataclass(frozen=True)
class Scenario:
    """start_ticks: count of the step timer at reset. command_rpm: commanded speed at reset, 0..65535. events:
    rows of EVENT_COLUMNS. slot_names: names of the statics that events change."""

    start_ticks: int = 0
    command_rpm: int = 0
    events: tuple[Event, ...] = ()
    slot_names: Mapping[int, str] = field(default_factory=dict, compare=False, hash=False)

    @property
    def rows(self) -> Any:
        """The events as the kernel reads them, int64[n, 4]."""
        return np.array(self.events, dtype=np.int64).reshape(-1, len(EVENT_COLUMNS))

    def lines(self) -> list[str]:
        """The scenario in words, one event a line."""
        begin = [f"timer at {self.start_ticks:,}"] if self.start_ticks else []
        begin += [f"command {self.command_rpm:,} rpm"] if self.command_rpm else []
        return [", ".join(["reset", *begin]), *(_TEXTS[e[0]](e[1], e[2], e[3], self) for e in self.events)]
