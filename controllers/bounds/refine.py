"""What the outcome of a comparison says of its operands."""

from typing import NamedTuple

from controllers.bounds.intervals import Range, Real, Whole, checked, meet, next_above, next_below
from controllers.kinds import Kind


class Pair(NamedTuple):
    """Ranges of the two operands of a comparison."""

    x: Range
    y: Range


def refined(relation: str, is_true: bool, kind: Kind, x: Range, y: Range) -> Pair | None:
    """The operands where `x relation y` (`<`, `<=` or `==`) is true, or is false; None where it cannot be.

    A comparison with NaN is false: where an operand may be NaN, false says nothing of the numbers.
    """
    if isinstance(x, Real) and isinstance(y, Real):
        if not is_true and (x.nan or y.nan):
            return Pair(x, y)
        x, y = x._replace(nan=False), y._replace(nan=False)
    if relation == "==":
        return _equal(x, y) if is_true else _different(kind, x, y)
    is_strict = (relation == "<") == is_true
    return _below(kind, x, y, is_strict) if is_true else _swapped(_below(kind, y, x, is_strict))


def _below(kind: Kind, x: Range, y: Range, is_strict: bool) -> Pair | None:
    """x <= y, or x < y."""
    if isinstance(x, Whole) and isinstance(y, Whole):
        step = 1 if is_strict else 0
        return _pair(Whole(x.low, min(x.high, y.high - step)), Whole(max(y.low, x.low + step), y.high))
    assert isinstance(x, Real)
    assert isinstance(y, Real)
    highest = next_below(y.high, kind) if is_strict else y.high
    lowest = next_above(x.low, kind) if is_strict else x.low
    return _pair(Real(x.low, min(x.high, highest)), Real(max(y.low, lowest), y.high))


def _equal(x: Range, y: Range) -> Pair | None:
    same = meet(x, y)
    return None if same is None else Pair(same, same)


def _different(kind: Kind, x: Range, y: Range) -> Pair | None:
    """An operand that is one value is cut off the end of the other."""
    return _pair(_without(kind, x, y), _without(kind, y, x))


def _without(kind: Kind, x: Range, y: Range) -> Range:
    if y.low != y.high:
        return x
    if isinstance(x, Whole):
        return Whole(x.low + (x.low == y.low), x.high - (x.high == y.high))
    low = next_above(x.low, kind) if x.low == y.low else x.low
    high = next_below(x.high, kind) if x.high == y.high else x.high
    return Real(low, high, x.nan)


def _pair(x: Range, y: Range) -> Pair | None:
    found = checked(x), checked(y)
    return None if found[0] is None or found[1] is None else Pair(found[0], found[1])


def _swapped(pair: Pair | None) -> Pair | None:
    return None if pair is None else Pair(pair.y, pair.x)
