"""Ranges of numbers: what a value can be at a place of a law, for certain an enclosure.

A `Whole` holds the values of an integer or fixed-point slot as mathematical integers (a u64 as itself, not as
the bit pattern of its cell). A `Real` holds those of a float slot. Its ends are exact, not widened outwards:
rounding to nearest is monotone, so the operation of the machine on the ends gives the ends of the results.
"""

import math
from collections.abc import Iterable
from typing import Final, NamedTuple

import numpy as np

from controllers.kinds import F32, Kind


class Whole(NamedTuple):
    """All integers from `low` to `high`, both included."""

    low: int
    high: int


class Real(NamedTuple):
    """All floats from `low` to `high`, infinities where they are the ends, and NaN where `nan`.

    low > high: no number at all, NaN only."""

    low: float
    high: float
    nan: bool = False

    @property
    def is_finite(self) -> bool:
        """Whether every value is a finite number."""
        return not self.nan and math.isfinite(self.low) and math.isfinite(self.high)


Range = Whole | Real

ONLY_NAN: Final = Real(math.inf, -math.inf, True)
ANY_REAL: Final = Real(-math.inf, math.inf, True)


def whole_range(kind: Kind) -> Whole:
    """Every value of an integer or fixed-point kind, as stored."""
    return Whole(kind.low, kind.high)


def full_range(kind: Kind) -> Range:
    """Every value of a kind."""
    return ANY_REAL if kind.is_float else whole_range(kind)


def exactly(value: int | float, kind: Kind) -> Range:
    """One value; `value` is the content of a slot image (a u64 is the bit pattern of an int64)."""
    if not kind.is_float:
        whole = int(value) & ((1 << kind.bits) - 1) if kind.is_wide and not kind.signed else int(value)
        return Whole(whole, whole)
    return ONLY_NAN if math.isnan(value) else Real(float(value), float(value))


def join(a: Range, b: Range) -> Range:
    """Smallest range that holds both."""
    if isinstance(a, Whole) and isinstance(b, Whole):
        return Whole(min(a.low, b.low), max(a.high, b.high))
    if isinstance(a, Real) and isinstance(b, Real):
        return Real(min(a.low, b.low), max(a.high, b.high), a.nan or b.nan)
    raise AssertionError("an integer slot and a float slot are not joined")


def hull(parts: Iterable[Whole]) -> Whole:
    """Smallest range that holds all of `parts`; at least one."""
    lows, highs = zip(*parts, strict=True)
    return Whole(min(lows), max(highs))


def meet(a: Range, b: Range) -> Range | None:
    """What both hold; None where they have nothing in common."""
    if isinstance(a, Whole) and isinstance(b, Whole):
        return checked(Whole(max(a.low, b.low), min(a.high, b.high)))
    if isinstance(a, Real) and isinstance(b, Real):
        return checked(Real(max(a.low, b.low), min(a.high, b.high), a.nan and b.nan))
    raise AssertionError("an integer slot and a float slot have nothing in common")


def checked(found: Range) -> Range | None:
    """None for a range without a value."""
    if found.low <= found.high:
        return found
    return ONLY_NAN if isinstance(found, Real) and found.nan else None


def holds(outer: Range, inner: Range) -> bool:
    """Whether every value of `inner` lies in `outer`."""
    return join(outer, inner) == outer


def contains(found: Range, value: int | float) -> bool:
    """Whether a value lies in the range."""
    if isinstance(found, Real) and math.isnan(value):
        return found.nan
    return found.low <= value <= found.high


def nonzero_parts(found: Range, kind: Kind) -> list[Range]:
    """The range without 0: its part below and its part above."""
    if isinstance(found, Whole):
        pieces: list[Range | None] = [
            checked(Whole(found.low, min(found.high, -1))),
            checked(Whole(max(found.low, 1), found.high)),
        ]
    elif found.low > found.high:
        return [found]
    else:
        pieces = [
            checked(found._replace(high=min(found.high, next_below(0.0, kind)))),
            checked(found._replace(low=max(found.low, next_above(0.0, kind)))),
        ]
    return [piece for piece in pieces if piece is not None]


def next_below(value: float, kind: Kind) -> float:
    """The next smaller float of a kind."""
    return -next_above(-value, kind)


def next_above(value: float, kind: Kind) -> float:
    """The next larger float of a kind."""
    if kind is F32:
        with np.errstate(over="ignore"):
            return float(np.nextafter(np.float32(value), np.float32(np.inf)))
    return math.nextafter(value, math.inf)
