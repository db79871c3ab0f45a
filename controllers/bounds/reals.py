"""Float operations on ranges, before the rounding to the kind; double precision does the same rounding as the
machine.

Where an end is not a number (inf - inf, 0 * inf, inf / inf) the other corners and 0 take its place: an
enclosure, not exact in that case. Divisors come without 0 (`rules` splits them).
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from controllers.bounds.intervals import ONLY_NAN, Real, Whole
from controllers.kinds import F32, Kind


def add(kind: Kind, b: int, extra: int, x: Real, y: Real) -> Real:
    """x + y."""
    del kind, b, extra
    opposed = (x.high == math.inf and y.low == -math.inf) or (x.low == -math.inf and y.high == math.inf)
    return _corners(x, y, lambda p, q: p + q, opposed)


def subtract(kind: Kind, b: int, extra: int, x: Real, y: Real) -> Real:
    """x - y."""
    return add(kind, b, extra, x, negate(kind, b, extra, y, None))


def multiply(kind: Kind, b: int, extra: int, x: Real, y: Real) -> Real:
    """x * y."""
    del kind, b, extra
    undefined = (_has_zero(x) and _has_infinity(y)) or (_has_infinity(x) and _has_zero(y))
    return _corners(x, y, lambda p, q: p * q, undefined)


def divide(kind: Kind, b: int, extra: int, x: Real, y: Real) -> Real:
    """x / y; y of one sign."""
    del kind, b, extra
    return _corners(x, y, lambda p, q: p / q, _has_infinity(x) and _has_infinity(y))


def negate(kind: Kind, b: int, extra: int, x: Real, y: Any) -> Real:
    """-x."""
    del kind, b, extra, y
    return Real(-x.high, -x.low, x.nan)


def convert(kind: Kind, b: int, extra: int, x: Real, y: Any) -> Real:
    """x; the rounding is the conversion."""
    del kind, b, extra, y
    return x


def from_whole(kind: Kind, b: int, extra: int, x: Whole, y: Any) -> Real:
    """x / 2**b."""
    del kind, extra, y
    return Real(x.low / 2.0**b, x.high / 2.0**b)


def rounded(kind: Kind, found: Real) -> Real:
    """The range rounded to the kind."""
    if kind is not F32:
        return found
    return Real(_single(found.low), _single(found.high), found.nan)


def _single(value: float) -> float:
    with np.errstate(over="ignore"):
        return float(np.float32(value))


def _corners(x: Real, y: Real, operation: Callable[[float, float], float], undefined: bool) -> Real:
    """Ends of an operation that is monotone in each operand; `undefined`: some operands give NaN."""
    if x.low > x.high or y.low > y.high:
        return ONLY_NAN
    values = [operation(p, q) for p in x[:2] for q in y[:2]]
    numbers = [0.0 if math.isnan(value) else value for value in values]
    return Real(min(numbers), max(numbers), x.nan or y.nan or undefined)


def _has_zero(x: Real) -> bool:
    return x.low <= 0.0 <= x.high


def _has_infinity(x: Real) -> bool:
    return x.low == -math.inf or x.high == math.inf
