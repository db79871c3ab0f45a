"""Integer operations on ranges, in unbounded integers: what the result would be if every width sufficed.

Divisors come without 0 (`rules` splits them). Results are exact where the operands are independent, but for
the remainder of a range wider than the divisor.
"""

import math
from typing import Any

from controllers.bounds.intervals import Real, Whole, hull
from controllers.kinds import Kind


def add(kind: Kind, b: int, extra: int, x: Whole, y: Whole) -> Whole:
    """x + y."""
    del kind, b, extra
    return Whole(x.low + y.low, x.high + y.high)


def subtract(kind: Kind, b: int, extra: int, x: Whole, y: Whole) -> Whole:
    """x - y."""
    del kind, b, extra
    return Whole(x.low - y.high, x.high - y.low)


def negate(kind: Kind, b: int, extra: int, x: Whole, y: Any) -> Whole:
    """-x."""
    del kind, b, extra, y
    return Whole(-x.high, -x.low)


def multiply(kind: Kind, b: int, extra: int, x: Whole, y: Whole) -> Whole:
    """x * y."""
    del kind, b, extra
    corners = [p * q for p in x for q in y]
    return Whole(min(corners), max(corners))


def multiply_shift(kind: Kind, b: int, extra: int, x: Whole, y: Whole) -> Whole:
    """x * y >> extra."""
    product = multiply(kind, b, extra, x, y)
    return Whole(product.low >> extra, product.high >> extra)


def divide(kind: Kind, b: int, extra: int, x: Whole, y: Whole) -> Whole:
    """x / y toward zero; y of one sign. Monotone in each operand, so the corners hold the ends."""
    del kind, b, extra
    corners = [quotient(p, q) for p in x for q in y]
    return Whole(min(corners), max(corners))


def divide_shift(kind: Kind, b: int, extra: int, x: Whole, y: Whole) -> Whole:
    """(x << extra) / y toward zero."""
    return divide(kind, b, extra, Whole(x.low << extra, x.high << extra), y)


def quotient(p: int, q: int) -> int:
    """p / q toward zero."""
    size = abs(p) // abs(q)
    return size if (p < 0) == (q < 0) else -size


def remainder(kind: Kind, b: int, extra: int, x: Whole, y: Whole) -> Whole:
    """x - (x/y)*y: the sign of x, smaller than y, no larger than x."""
    del kind, b, extra
    size = Whole(-y.high, -y.low) if y.high < 0 else y
    parts = []
    if x.low < 0:
        positive = _remainder(Whole(max(1, -x.high), -x.low), size)
        parts.append(Whole(-positive.high, -positive.low))
    if x.high >= 0:
        parts.append(_remainder(Whole(max(0, x.low), x.high), size))
    return hull(parts)


def _remainder(x: Whole, y: Whole) -> Whole:
    """x % y for x >= 0, y > 0."""
    if x.high < y.low:
        return x
    if y.low == y.high and x.low // y.low == x.high // y.low:
        return Whole(x.low % y.low, x.high % y.low)
    return Whole(0, min(x.high, y.high - 1))


def shift_left(kind: Kind, b: int, extra: int, x: Whole, y: Any) -> Whole:
    """x << extra."""
    del kind, b, y
    return Whole(x.low << extra, x.high << extra)


def shift_right(kind: Kind, b: int, extra: int, x: Whole, y: Any) -> Whole:
    """x >> extra, toward minus infinity."""
    del kind, b, y
    return Whole(x.low >> extra, x.high >> extra)


def rescale(kind: Kind, b: int, extra: int, x: Whole, y: Any) -> Whole:
    """x * 2**b, toward minus infinity where b < 0."""
    del kind, extra, y
    return Whole(x.low << b, x.high << b) if b >= 0 else Whole(x.low >> -b, x.high >> -b)


def truncate(kind: Kind, b: int, extra: int, x: Real, y: Any) -> Whole:
    """x * 2**b without its fraction; beyond the kind, the number next to its ends stands for all."""
    del extra, y
    ends = (_truncated(end * 2.0**b, kind) for end in (x.low, x.high))
    return Whole(*ends)


def _truncated(value: float, kind: Kind) -> int:
    held = min(max(value, float(kind.low - 1)), float(kind.high + 1))
    return math.trunc(held)
