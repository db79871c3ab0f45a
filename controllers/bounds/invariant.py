"""What the static variables can hold between handlers: on_start once, then any handler any number of times.

The ranges grow until another round adds nothing. From the fourth round on an end that still moves goes to the
next of a few numbers that the law itself knows (constants, ends of kinds and ports), after `_PATIENCE` rounds
to the end of its kind, so the rounds come to an end. Rounds that start from a sound result only sharpen it.
Source: P. Cousot and R. Cousot, Abstract interpretation (POPL 1977): widening and narrowing.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from controllers.bounds.intervals import Range, Real, Whole, full_range, holds, join, meet
from controllers.bounds.listing import Listing
from controllers.bounds.ranges import Pass, walk
from controllers.kinds import MACHINE_KINDS
from controllers.priorities import Priorities, can_interrupt

_EXACT_ROUNDS: Final = 3
_PATIENCE: Final = 24
_SHARPENINGS: Final = 3
_BETWEEN: Final = ""
_START: Final = "on_start"

Key = tuple[str, int]  # (handler that writes it, or _BETWEEN; slot)
Ranges = Mapping[Key, Range]


@dataclass(frozen=True)
class Invariant:
    """`between`: static slot -> range between handlers. `passes`: handler -> its pass over these ranges."""

    between: Mapping[int, Range]
    passes: Mapping[str, Pass]


def find_invariant(listing: Listing, priorities: Priorities) -> Invariant:
    """Ranges that hold in every run, whatever the order of the handlers and the inputs."""
    found: Ranges = _round(listing, priorities, {})[0]
    limits = _limits(listing)
    number = 0
    while True:
        further = _round(listing, priorities, found)[0]
        grown = {key: join(found.get(key, new), new) for key, new in further.items()} | {
            key: old for key, old in found.items() if key not in further
        }
        if grown == found:
            break
        number += 1
        if number > _EXACT_ROUNDS:
            ends = limits if number <= _PATIENCE else _Limits((), ())
            grown = {key: _widened(listing, key, found.get(key), new, ends) for key, new in grown.items()}
        found = grown
    for _ in range(_SHARPENINGS):
        further, passes = _round(listing, priorities, found)
        found = {key: meet(found[key], new) or new for key, new in further.items() if key in found}
    between = {slot: kept for (handler, slot), kept in found.items() if handler == _BETWEEN}
    return Invariant(between, passes)


def _round(
    listing: Listing, priorities: Priorities, found: Ranges
) -> tuple[dict[Key, Range], dict[str, Pass]]:
    """Every handler once, from the ranges found so far."""
    start = {slot: listing.image[slot] for slot in listing.statics}
    passes: dict[str, Pass] = {}
    new: dict[Key, Range] = {}
    if _START in listing.program.handlers:
        passes[_START] = walk(listing, _START, start, {})
        start = passes[_START].after
    _add(new, _BETWEEN, start)
    for handler in listing.program.handlers:
        if handler != _START:
            before = _before(listing, handler, priorities, found, new)
            passes[handler] = walk(listing, handler, before, _changing(listing, handler, priorities, found))
            _add(new, _BETWEEN, passes[handler].after)
            _add(
                new,
                handler,
                {s: passes[handler].written[s] for s in listing.statics if s in passes[handler].written},
            )
    return new, passes


def _add(new: dict[Key, Range], handler: str, ranges: Mapping[int, Range]) -> None:
    for slot, found in ranges.items():
        key = (handler, slot)
        new[key] = join(new[key], found) if key in new else found


def _before(
    listing: Listing, handler: str, priorities: Priorities, found: Ranges, new: Ranges
) -> dict[int, Range]:
    """Ranges at entry: those between handlers, and what handlers that this one interrupts wrote."""
    known = found or new
    before = {slot: known[_BETWEEN, slot] for slot in listing.statics}
    for other in listing.program.handlers:
        if can_interrupt(handler, other, priorities):
            _join_written(before, other, found)
    return before


def _changing(listing: Listing, handler: str, priorities: Priorities, found: Ranges) -> dict[int, Range]:
    """What handlers that interrupt this one write."""
    changing: dict[int, Range] = {}
    for other in listing.program.handlers:
        if can_interrupt(other, handler, priorities):
            _join_written(changing, other, found)
    return changing


def _join_written(ranges: dict[int, Range], writer: str, found: Ranges) -> None:
    for (handler, slot), written in found.items():
        if handler == writer:
            ranges[slot] = join(ranges[slot], written) if slot in ranges else written


@dataclass(frozen=True)
class _Limits:
    """Numbers, sorted, that a moving end of an integer or a float range is moved to."""

    wholes: tuple[int, ...]
    reals: tuple[float, ...]


def _limits(listing: Listing) -> _Limits:
    """Ends of kinds and ports, constants and initial values: as they are, in every binary point in use, and
    as floats."""
    known = (*listing.inputs, *listing.outputs, *listing.image)
    whole_ends = {int(end) for found in known if isinstance(found, Whole) for end in found}
    fractions = {0, *listing.program.slot_fraction_bits.tolist()}
    wholes = {(end << bits) + near for end in whole_ends for bits in fractions for near in (-1, 0, 1)}
    wholes |= {end for kind in MACHINE_KINDS if not kind.is_float for end in (kind.low, kind.high)}
    reals = {float(end) for end in whole_ends}
    reals |= {end for found in known if isinstance(found, Real) for end in found[:2]}
    return _Limits(tuple(sorted(wholes)), tuple(sorted({0.0} | reals | {-end for end in reals})))


def _widened(listing: Listing, key: Key, old: Range | None, new: Range, limits: _Limits) -> Range:
    """`new`, with the ends that lie outside `old` moved out to the next limit."""
    if old is None or holds(old, new):
        return new
    full = full_range(listing.slot_kinds[key[1]])
    ends: tuple[float, ...] = limits.reals if isinstance(new, Real) else limits.wholes
    low, high = new.low, new.high
    if low < old.low:
        place = bisect_right(ends, low)
        low = max(ends[place - 1], full.low) if place else full.low
    if high > old.high:
        place = bisect_left(ends, high)
        high = min(ends[place], full.high) if place < len(ends) else full.high
    return new._replace(low=low, high=high)  # type: ignore[arg-type]
