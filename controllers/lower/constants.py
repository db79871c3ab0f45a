"""Numbers known at compile time: rounding into a kind, and the arithmetic of the machine on stored values.

A stored value is what the slot image holds: an int for integers and fixed point (scaled by 2**fraction_bits),
a float for f32 and f64. `fold` follows the machine operation for operation; a test compares the two.
"""

import math
import struct
from collections.abc import Callable
from fractions import Fraction
from typing import Final

from controllers.kinds import F32, Kind

Stored = int | float


class OutOfRangeError(Exception):
    """A compile-time value does not fit its kind, or is not defined (division by zero)."""


def round_single(value: float) -> float:
    """`value` rounded to float32; OutOfRangeError where it would be infinite."""
    try:
        return float(struct.unpack("f", struct.pack("f", value))[0])
    except OverflowError as error:
        raise OutOfRangeError from error


def nearest_integer(value: float | Fraction) -> int:
    """Nearest integer, halves away from zero, exact for every finite float."""
    exact = Fraction(value)
    size = math.floor(abs(exact) + Fraction(1, 2))
    return size if exact >= 0 else -size


def encode(value: int | float, kind: Kind) -> Stored:
    """`value` rounded to the nearest number of `kind`, as stored; OutOfRangeError where it does not fit."""
    if isinstance(value, float) and not math.isfinite(value):
        raise OutOfRangeError
    if kind.is_float:
        return checked_float(float(value), kind)
    return checked(nearest_integer(Fraction(value) * (1 << kind.fraction_bits)), kind)


def decode(stored: Stored, kind: Kind) -> float:
    """The number a stored value stands for."""
    return float(stored) / (1 << kind.fraction_bits)


def is_exact(value: int | float, stored: Stored, kind: Kind) -> bool:
    """Whether nothing was lost in rounding `value`."""
    return Fraction(value) == Fraction(stored) / (1 << kind.fraction_bits)


def checked(stored: int, kind: Kind) -> int:
    """`stored` where it lies within `kind`, else OutOfRangeError."""
    if not kind.low <= stored <= kind.high:
        raise OutOfRangeError
    return stored


def checked_float(value: float, kind: Kind) -> float:
    """`value` rounded to `kind`; OutOfRangeError where it is not finite."""
    result = round_single(value) if kind is F32 else value
    if not math.isfinite(result):
        raise OutOfRangeError
    return result


def quotient(a: int, b: int) -> int:
    """a / b toward zero; OutOfRangeError where b is 0."""
    if b == 0:
        raise OutOfRangeError
    size = abs(a) // abs(b)
    return size if (a < 0) == (b < 0) else -size


INTEGER_FOLDS: Final[dict[str, Callable[[int, int], int]]] = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "/": quotient,
    "//": quotient,
    "%": lambda a, b: a - quotient(a, b) * b,
    "&": lambda a, b: a & b,
    "|": lambda a, b: a | b,
    "^": lambda a, b: a ^ b,
}


def fold(sign: str, a: Stored, b: Stored, kind: Kind) -> Stored:
    """`a sign b` in `kind`, on stored values; OutOfRangeError where the machine would count a fault."""
    if kind.is_float:
        return _fold_float(sign, float(a), float(b), kind)
    x, y = int(a), int(b)
    if kind.is_fixed and sign == "*":
        return checked((x * y) >> kind.fraction_bits, kind)
    if kind.is_fixed and sign == "/":
        return checked(quotient(x << kind.fraction_bits, y), kind)
    return checked(INTEGER_FOLDS[sign](x, y), kind)


def fold_shift(sign: str, a: int, count: int, kind: Kind) -> int:
    """a << count or a >> count in `kind`."""
    return checked(a << count, kind) if sign == "<<" else a >> count


def fold_wrap(sign: str, a: int, b: int, kind: Kind) -> int:
    """a + b or a - b reduced to the range of `kind`."""
    result = a + b if sign == "+" else a - b
    return ((result - kind.low) & ((1 << kind.bits) - 1)) + kind.low


def _fold_float(sign: str, a: float, b: float, kind: Kind) -> float:
    if sign == "/" and b == 0:
        raise OutOfRangeError
    result = {"+": a + b, "-": a - b, "*": a * b}[sign] if sign != "/" else a / b
    return checked_float(result, kind)


def fold_convert(stored: Stored, source: Kind, target: Kind) -> Stored:
    """A stored value converted as the machine does; OutOfRangeError where it would count a fault."""
    if target.is_float:
        return checked_float(decode(stored, source), target)
    if source.is_float:
        return checked(int(float(stored) * (1 << target.fraction_bits)), target)
    bits = target.fraction_bits - source.fraction_bits
    return checked(int(stored) << bits if bits >= 0 else int(stored) >> -bits, target)
