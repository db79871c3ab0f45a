"""From a failing scenario to the smallest one: hypothesis shrinks it, and tries examples of its own."""

from collections.abc import Callable, Iterable
from typing import Final

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.database import ExampleDatabase, choices_to_bytes

from controllers.check.bench.records import EDGES
from controllers.check.scenario import Event, Scenario
from controllers.check.space import MOST_EDGES, Choices, Space, flat

OWN_EXAMPLES: Final = 60
"""What hypothesis draws itself for a property that the volume found nothing for."""
_NOT_SHRUNK: Final = b".secondary"
"""End of the key under which hypothesis keeps failures that it has yet to shrink."""


class _Fails(Exception):  # noqa: N818 (the wanted outcome of a search, not an error)
    pass


class _Known(ExampleDatabase):
    """A database that holds one failure and forgets all else: nothing is left on disk."""

    def __init__(self, first: Choices | None) -> None:
        super().__init__()
        self._first = first

    def fetch(self, key: bytes) -> Iterable[bytes]:
        """The failure to shrink."""
        if self._first is not None and key.endswith(_NOT_SHRUNK):
            yield choices_to_bytes(flat(self._first))

    def save(self, key: bytes, value: bytes) -> None:
        """Nothing is kept."""

    def delete(self, key: bytes, value: bytes) -> None:
        """Nothing is kept."""


def short_tails(space: Space, choices: Choices) -> Iterable[Choices]:
    """The last one, two, three ... edges and other events of a scenario, runs of edges taken apart, with the
    timer at 0 at reset where that does: what a shrinker that changes one number at a time cannot get to."""
    start, command, rows = choices
    single = [one for row in rows for one in _apart(space, row)]
    for length in range(1, min(len(single), space.most_events) + 1):
        for end in range(length, len(single) + 1) if length == 1 else (len(single),):
            tail = tuple(single[end - length : end])
            number, ticks, count, change = tail[0]
            later = (number, (ticks + start) % space.hardware.timer_range, count, change)
            yield 0, 0, tail
            yield 0, command, (later, *tail[1:])
            yield start, command, tail


def _apart(space: Space, row: Event) -> list[Event]:
    """A run of edges as single ones; a wait beyond the longest is what the timer makes of it."""
    number, ticks, count, change = row
    if space.kinds[number] != EDGES or count < 2:
        return [row]
    bend = min(max(change, -space.most_change), space.most_change)
    waits = (max(ticks + n * bend, space.shortest_ticks) for n in range(min(count, MOST_EDGES)))
    wrap = space.hardware.timer_range
    return [(number, wait if wait <= space.longest_ticks else wait % wrap, 1, 0) for wait in waits]


def smallest(
    space: Space,
    fails: Callable[[Scenario], bool],
    first: Choices | None,
    seed_number: int,
    own_examples: int = OWN_EXAMPLES,
) -> Scenario | None:
    """The simplest scenario for which `fails` holds, or None where none is found.

    Args:
        space: its bounds.
        fails: the judgement.
        first: choices known to fail, where shrinking begins; None lets hypothesis search.
        seed_number: of that search; the same seed finds the same scenario.
        own_examples: how many hypothesis draws itself.
    """
    if first is not None:
        tails = short_tails(space, first) if space.make is None else ()
        first = next((tail for tail in tails if fails(space.scenario(tail))), first)
    last: list[Choices] = []

    # in this order: `seed` would take the database away
    @settings(
        max_examples=own_examples,
        database=_Known(first),
        deadline=None,
        phases=[Phase.reuse, Phase.generate, Phase.target, Phase.shrink],
        suppress_health_check=list(HealthCheck),
        report_multiple_bugs=False,
    )
    @seed(seed_number)
    @given(space.strategy())
    def search(choices: Choices) -> None:
        if fails(space.scenario(choices)):
            last[:] = [choices]
            raise _Fails

    try:
        search()
    except _Fails:
        if first is None:  # found by hypothesis itself: taken apart and shrunk again
            return smallest(space, fails, last[0], seed_number, own_examples)
        return space.scenario(last[0])
    return None
