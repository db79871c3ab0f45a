"""Operands that measured operations are run with: random ones, ends of the range, hard cases of floats."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from itertools import product
from typing import Final

from targets.isa.values import Value

RANDOM_TUPLES: Final = 200
TYPICAL_DIVISOR: Final = 10
Operands = tuple[Value, ...]


def integer_range(kind: str) -> tuple[int, int]:
    """Lowest and highest value of an integer kind."""
    bits = int(kind[1:])
    return (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if kind.startswith("i") else (0, (1 << bits) - 1)


def draw(kind: str, rng: random.Random) -> Value:
    """Integers log-uniform in magnitude over the width, floats over 1e-3..1e3; random sign."""
    if kind.startswith("f"):
        return rng.choice((-1.0, 1.0)) * 10 ** rng.uniform(-3, 3)
    low, high = integer_range(kind)
    magnitude = min(int(2 ** rng.uniform(0, high.bit_length())), high)
    return -magnitude if low and rng.random() < 0.5 else magnitude


def ends(kind: str) -> tuple[Value, ...]:
    """Values at which routines take their longest and shortest ways."""
    if kind.startswith("f"):
        return (0.0, 1.0, -1.0, 1.5, -1.9999, 3.0e-3, 999.9, 1.0e9, -1.0e9)
    low, high = integer_range(kind)
    return tuple(dict.fromkeys((0, 1, 3, high // 3, high // 2, high - 1, high, low, low + 1, low // 3)))


def tuples(kinds: tuple[str, ...], rng: random.Random) -> Iterator[Operands]:
    """The random tuples, by which an operation is judged on the whole."""
    for _ in range(RANDOM_TUPLES):
        yield tuple(draw(kind, rng) for kind in kinds)


def extreme_tuples(kinds: tuple[str, ...], rng: random.Random) -> Iterator[Operands]:
    """Tuples for minimum and maximum beyond the random ones."""
    yield from product(*(ends(kind) for kind in kinds))
    if len(kinds) == 2 and kinds[0].startswith("f"):
        for bits in range(24):  # differences that lose `bits` leading bits, sums that gain one
            value = float(draw(kinds[0], rng))
            yield value, -value * (1 - 2.0**-bits)
            yield value, value * (1 - 2.0**-bits)
        for _ in range(RANDOM_TUPLES):  # the range of the published AVR-LibC benchmarks
            yield rng.uniform(-1e10, 1e10), rng.uniform(-1e10, 1e10)


def quotient_tuples(kinds: tuple[str, ...], rng: random.Random) -> Iterator[Operands]:
    """A control law divides large by small: the typical division is one by 10."""
    for _ in range(RANDOM_TUPLES):
        yield draw(kinds[0], rng), TYPICAL_DIVISOR


def equal_tuples(kinds: tuple[str, ...], rng: random.Random) -> Iterator[Operands]:
    """Pairs of which every other one is equal."""
    for number in range(RANDOM_TUPLES):
        one = draw(kinds[0], rng)
        yield one, one if number % 2 else draw(kinds[1], rng)


def no_zero_divisor(operands: Operands) -> bool:
    """Whether C defines the quotient: no division by 0, no lowest value by -1."""
    return operands[-1] not in (0, -1)


def within(kind: str) -> Callable[[Operands], bool]:
    """Whether the float operand can be converted into the integer kind."""
    low, high = integer_range(kind)
    return lambda operands: low <= int(operands[0]) <= high


def anything(operands: Operands) -> bool:
    """Every tuple is allowed."""
    del operands
    return True
