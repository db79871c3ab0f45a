"""Fixed point against exact rational arithmetic.

Rule: a product is cut toward minus infinity (an arithmetic right shift), a quotient toward zero (C's
division), a conversion to fewer fraction bits toward minus infinity, a conversion from float toward zero.
"""

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from controllers import opcodes
from controllers.faults import CONVERSION, OVERFLOW
from controllers.kinds import F64, Kind, fixed_kind, nearest_fixed_name
from tests.controllers.support import operand_pairs, operation_rows, run_operation

WIDTHS = ((0, 7), (3, 4), (0, 15), (7, 8), (3, 12), (15, 16), (0, 31), (23, 8))
FORMATS = [kind for m, n in WIDTHS if (kind := fixed_kind(m, n)) is not None]


def wrapped(stored: int, kind: Kind) -> int:
    """Two's complement wrap."""
    return ((stored - kind.low) & ((1 << kind.bits) - 1)) + kind.low


def values(stored: Any, kind: Kind) -> list[Fraction]:
    """The numbers that stored integers stand for."""
    return [Fraction(int(x), 1 << kind.fraction_bits) for x in stored]


def expect(results: Any, faults: Any, exact: list[int], kind: Kind, fault: int) -> None:
    """Stored results are the exact ones wrapped; those that do not fit are counted."""
    np.testing.assert_array_equal(results, [wrapped(x, kind) for x in exact])
    np.testing.assert_array_equal(faults[:, fault], [wrapped(x, kind) != x for x in exact])


@pytest.mark.parametrize("kind", FORMATS, ids=lambda kind: kind.name)
def test_product_is_cut_toward_minus_infinity(kind: Kind) -> None:
    pairs = operand_pairs(kind)
    rows = operation_rows(opcodes.MUL_SHIFT, kind, extra=kind.fraction_bits)
    results, _, faults = run_operation(rows, pairs)
    products = [a * b for a, b in zip(values(pairs[:, 0], kind), values(pairs[:, 1], kind), strict=True)]
    exact = [math.floor(product * (1 << kind.fraction_bits)) for product in products]
    expect(results, faults, exact, kind, OVERFLOW)


@pytest.mark.parametrize("kind", FORMATS, ids=lambda kind: kind.name)
def test_quotient_is_cut_toward_zero(kind: Kind) -> None:
    pairs = operand_pairs(kind)
    pairs = pairs[pairs[:, 1] != 0]
    rows = operation_rows(opcodes.DIV_SHIFT, kind, extra=kind.fraction_bits)
    results, _, faults = run_operation(rows, pairs)
    quotients = [a / b for a, b in zip(values(pairs[:, 0], kind), values(pairs[:, 1], kind), strict=True)]
    exact = [math.trunc(quotient * (1 << kind.fraction_bits)) for quotient in quotients]
    expect(results, faults, exact, kind, OVERFLOW)


@pytest.mark.parametrize("source", FORMATS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("target", FORMATS, ids=lambda kind: kind.name)
def test_conversion_between_formats_is_cut_toward_minus_infinity(source: Kind, target: Kind) -> None:
    pairs = operand_pairs(source, count=200)
    bits = target.fraction_bits - source.fraction_bits
    rows = operation_rows(opcodes.CONVERT, target, b=bits, extra=source.index)
    results, _, faults = run_operation(rows, pairs)
    exact = [math.floor(value * (1 << target.fraction_bits)) for value in values(pairs[:, 0], source)]
    expect(results, faults, exact, target, CONVERSION)


@pytest.mark.parametrize("kind", FORMATS, ids=lambda kind: kind.name)
def test_conversion_to_double_is_exact_and_back(kind: Kind) -> None:
    pairs = operand_pairs(kind)
    rows = operation_rows(opcodes.INT_TO_FLOAT, F64, b=kind.fraction_bits, extra=kind.index)
    _, floats, _ = run_operation(rows, pairs)
    assert [Fraction(x) for x in floats] == values(pairs[:, 0], kind)
    back = operation_rows(opcodes.FLOAT_TO_INT, kind, b=kind.fraction_bits, extra=F64.index)
    stored, _, faults = run_operation(back, np.column_stack([floats, floats]))
    np.testing.assert_array_equal(stored, pairs[:, 0])
    assert not faults.any()


@pytest.mark.parametrize(
    ("integer_bits", "fraction_bits", "name", "bits"),
    [
        (15, 16, "q15.16", 32),  # TI: sign not counted
        (16, 16, "q15.16", 32),  # Arm: sign counted
        (0, 15, "q0.15", 16),
        (1, 15, "q0.15", 16),
        (8, 8, "q7.8", 16),
        (7, 8, "q7.8", 16),
        (4, 4, "q3.4", 8),
    ],
)
def test_both_notations_name_the_same_format(
    integer_bits: int, fraction_bits: int, name: str, bits: int
) -> None:
    kind = fixed_kind(integer_bits, fraction_bits)
    assert kind is not None
    assert (kind.name, kind.bits) == (name, bits)


@pytest.mark.parametrize(
    ("integer_bits", "fraction_bits", "nearest"),
    [(16, 17, "q14.17"), (10, 10, "q5.10"), (2, 2, "q5.2"), (40, 40, "q0.31"), (16, 0, "q14.1")],
)
def test_illegal_total_is_refused_with_the_nearest_format(
    integer_bits: int, fraction_bits: int, nearest: str
) -> None:
    assert fixed_kind(integer_bits, fraction_bits) is None
    assert nearest_fixed_name(integer_bits, fraction_bits) == nearest
