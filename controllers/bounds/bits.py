"""Ranges of x & y, x | y and x ^ y: exact ends for integers of one width.

Source: H. S. Warren, Hacker's Delight, 2nd edition (2013), section 4-3, "Propagating bounds through logical
operations", for unsigned words. Signed words are split at 0: within one sign the bit patterns keep their
order.
"""

from collections.abc import Callable, Iterator

from controllers.bounds.intervals import Whole, hull
from controllers.kinds import Kind

Words = Callable[
    [int, int, int, int, int], int
]  # a <= x <= b, c <= y <= d, highest bit -> an end of the result


def lowest_or(a: int, b: int, c: int, d: int, bit: int) -> int:
    """Least x | y."""
    while bit:
        if ~a & c & bit:
            raised = (a | bit) & -bit
            if raised <= b:
                return raised | c
        elif a & ~c & bit:
            raised = (c | bit) & -bit
            if raised <= d:
                return a | raised
        bit >>= 1
    return a | c


def highest_or(a: int, b: int, c: int, d: int, bit: int) -> int:
    """Greatest x | y."""
    while bit:
        if b & d & bit:
            lowered = (b - bit) | (bit - 1)
            if lowered >= a:
                return lowered | d
            lowered = (d - bit) | (bit - 1)
            if lowered >= c:
                return b | lowered
        bit >>= 1
    return b | d


def lowest_xor(a: int, b: int, c: int, d: int, bit: int) -> int:
    """Least x ^ y."""
    while bit:
        if ~a & c & bit:
            raised = (a | bit) & -bit
            a = raised if raised <= b else a
        elif a & ~c & bit:
            raised = (c | bit) & -bit
            c = raised if raised <= d else c
        bit >>= 1
    return a ^ c


def highest_xor(a: int, b: int, c: int, d: int, bit: int) -> int:
    """Greatest x ^ y."""
    while bit:
        if b & d & bit:
            lowered = (b - bit) | (bit - 1)
            if lowered >= a:
                b = lowered
            else:
                lowered = (d - bit) | (bit - 1)
                d = lowered if lowered >= c else d
        bit >>= 1
    return b ^ d


def range_of_and(x: Whole, y: Whole, kind: Kind) -> Whole:
    """x & y = ~(~x | ~y)."""
    flipped = range_of_or(Whole(~x.high, ~x.low), Whole(~y.high, ~y.low), _signed(kind))
    return Whole(~flipped.high, ~flipped.low)


def range_of_or(x: Whole, y: Whole, kind: Kind) -> Whole:
    """x | y."""
    return _by_sign(x, y, kind, lowest_or, highest_or, lambda a, b: a or b)


def range_of_xor(x: Whole, y: Whole, kind: Kind) -> Whole:
    """x ^ y."""
    return _by_sign(x, y, kind, lowest_xor, highest_xor, lambda a, b: a != b)


def _signed(kind: Kind) -> Kind:
    """A signed kind that holds ~x of every x of `kind`: one bit more where that is unsigned."""
    return kind if kind.signed else Kind(kind.name, kind.bits + 1, True, False, kind.index)


def _by_sign(
    x: Whole, y: Whole, kind: Kind, lowest: Words, highest: Words, is_negative: Callable[[bool, bool], bool]
) -> Whole:
    """The operation on each pair of parts of one sign."""
    size, top = 1 << kind.bits, 1 << (kind.bits - 1)
    found = []
    for part, offset in _one_sign(x, size):
        for other, shift in _one_sign(y, size):
            ends = (part.low, part.high, other.low, other.high, top)
            back = size if is_negative(offset > 0, shift > 0) else 0
            found.append(Whole(lowest(*ends) - back, highest(*ends) - back))
    return hull(found)


def _one_sign(x: Whole, size: int) -> Iterator[tuple[Whole, int]]:
    """Parts of one sign as unsigned words, and what was added."""
    if x.low < 0:
        yield Whole(x.low + size, min(x.high, -1) + size), size
    if x.high >= 0:
        yield Whole(max(x.low, 0), x.high), 0
