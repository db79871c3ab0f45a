"""Fixed point against published rules, published examples and a general library (fxpmath).

ISO/IEC TR 18037:2008 leaves the direction of rounding to the implementation: a result is within 1 ulp of the
exact one, within 2 ulp for * and / (4.1.3, from memory), and saturates under _Sat (4.1.5, from memory).
"""

import math
import warnings
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from fxpmath import Fxp, functions

from controllers import opcodes
from controllers.kinds import F64, Kind, fixed_kind
from controllers.lower.constants import decode, encode
from tests.controllers.support import operand_pairs, operation_rows, run_operation

WIDTHS = ((0, 7), (3, 4), (0, 15), (7, 8), (3, 12), (8, 7), (15, 16), (16, 15), (0, 31), (23, 8))
FORMATS = [kind for m, n in WIDTHS if (kind := fixed_kind(m, n)) is not None]
# (mnemonic, operation on exact numbers, opcode, saturating opcode, ulps that TR 18037 allows)
OPERATIONS = (
    ("add", lambda a, b: a + b, opcodes.ADD, opcodes.SAT_ADD, 1),
    ("sub", lambda a, b: a - b, opcodes.SUB, opcodes.SAT_SUB, 1),
    ("mul", lambda a, b: a * b, opcodes.MUL_SHIFT, opcodes.SAT_MUL_SHIFT, 2),
)


def named(kind: Kind) -> str:
    return kind.name


def exact(stored: Any, kind: Kind) -> list[Fraction]:
    """The numbers that stored integers stand for."""
    return [Fraction(int(x), 1 << kind.fraction_bits) for x in stored]


def shift_of(op: int, kind: Kind) -> int:
    """Column `extra`, as the compiler fills it."""
    return kind.fraction_bits if opcodes.OPCODES[op].shape[3] == "count" else 0


def held(value: int, kind: Kind) -> int:
    return min(max(value, kind.low), kind.high)


@pytest.mark.parametrize(
    ("name", "whole_bits", "fraction_bits", "bits"),
    [
        ("short _Fract", 0, 7, 8),
        ("_Fract", 0, 15, 16),
        ("long _Fract", 0, 31, 32),
        ("short _Accum", 8, 7, 16),
        ("_Accum", 16, 15, 32),
    ],
)
def test_formats_of_the_c_types_are_formats_of_the_dialect(
    name: str, whole_bits: int, fraction_bits: int, bits: int
) -> None:
    """Example formats s0.7, s0.15, s0.31, s8.7, s16.15: ISO/IEC TR 18037:2008 4.1 as quoted in compiler
    manual GUID-BE362C91, 13.2. long _Accum s32.31 has 64 bits and is no format here."""
    kind = fixed_kind(whole_bits, fraction_bits)
    assert kind is not None, name
    assert (kind.bits, kind.fraction_bits, kind.signed) == (bits, fraction_bits, True)
    assert fixed_kind(32, 31) is None


@pytest.mark.parametrize(
    ("notation", "low", "high", "step"),
    [
        ((0, 15), -1, 1, 3.05e-5),  # Q15: TMS320C64x DSP library manual, app. A.2
        ((3, 12), -8, 8, 2.441e-4),  # Q3.12: same
        ((4, 12), -8, 8, 2.441e-4),  # 16-bit Q4.12, sign counted: Arm DUI 0066G 4.7.9
        ((1, 31), -1, 1, 4.657e-10),  # Q31 = Q1.31: same; the step 2**-31 is arithmetic
    ],
)
def test_published_ranges_and_steps(notation: tuple[int, int], low: float, high: float, step: float) -> None:
    kind = fixed_kind(*notation)
    assert kind is not None
    assert decode(kind.low, kind) == low
    assert decode(kind.high, kind) == high - decode(1, kind)
    assert decode(1, kind) == pytest.approx(step, rel=2e-3)  # printed to three or four digits
    assert encode(-1.0, kind) == -(1 << kind.fraction_bits)


@pytest.mark.parametrize("name", [row[0] for row in OPERATIONS])
@pytest.mark.parametrize("kind", FORMATS, ids=named)
def test_result_is_within_the_ulps_of_tr_18037_and_saturates(kind: Kind, name: str) -> None:
    """A result that fits is the exact one or below it by less than an ulp; saturation holds the rest."""
    _, function, op, saturating, ulps = next(row for row in OPERATIONS if row[0] == name)
    pairs = operand_pairs(kind, count=500)
    plain, _, faults = run_operation(operation_rows(op, kind, extra=shift_of(op, kind)), pairs)
    rows = operation_rows(saturating, kind, extra=shift_of(saturating, kind))
    limited, _, none = run_operation(rows, pairs)
    assert not none.any()
    ulp = Fraction(1, 1 << kind.fraction_bits)
    results = zip(exact(pairs[:, 0], kind), exact(pairs[:, 1], kind), plain, limited, faults, strict=True)
    for a, b, stored, sat, fault in results:
        true = function(a, b)
        assert int(sat) == held(math.floor(true / ulp), kind)
        if not fault.any():
            assert stored == sat
            assert 0 <= true - stored * ulp < ulp <= ulps * ulp


@pytest.mark.parametrize("kind", FORMATS, ids=named)
def test_quotient_is_within_the_ulps_of_tr_18037(kind: Kind) -> None:
    pairs = operand_pairs(kind, count=500)
    pairs = pairs[pairs[:, 1] != 0]
    rows = operation_rows(opcodes.DIV_SHIFT, kind, extra=kind.fraction_bits)
    results, _, faults = run_operation(rows, pairs)
    ulp = Fraction(1, 1 << kind.fraction_bits)
    for a, b, stored, fault in zip(pairs[:, 0], pairs[:, 1], results, faults, strict=True):
        true = Fraction(int(a), int(b))
        assert fault.any() == (not kind.low <= math.trunc(true / ulp) <= kind.high)
        assert fault.any() or (abs(true - stored * ulp) < ulp and abs(stored * ulp) <= abs(true))


@pytest.mark.parametrize("kind", [k for k in FORMATS if k.bits == k.fraction_bits + 1], ids=named)
def test_minus_one_squared_is_the_product_that_does_not_fit(kind: Kind) -> None:
    """-1 is a fraction, 1 is none: wraps to -1 and is counted, or saturates one step below 1 (common
    practice, no source)."""
    pairs = np.array([(kind.low, kind.low)])
    wrapped, _, faults = run_operation(
        operation_rows(opcodes.MUL_SHIFT, kind, extra=kind.fraction_bits), pairs
    )
    limited, _, _ = run_operation(
        operation_rows(opcodes.SAT_MUL_SHIFT, kind, extra=kind.fraction_bits), pairs
    )
    assert (wrapped[0], faults.sum(), limited[0]) == (kind.low, 1, kind.high)


@pytest.mark.parametrize("source", FORMATS, ids=named)
@pytest.mark.parametrize("target", FORMATS, ids=named)
def test_saturating_conversion_between_formats_is_floor_and_hold(source: Kind, target: Kind) -> None:
    pairs = operand_pairs(source, count=200)
    bits = target.fraction_bits - source.fraction_bits
    rows = operation_rows(opcodes.SAT_CONVERT, target, b=bits, extra=source.index)
    results, _, faults = run_operation(rows, pairs)
    scaled = [math.floor(value * (1 << target.fraction_bits)) for value in exact(pairs[:, 0], source)]
    assert [int(x) for x in results] == [held(x, target) for x in scaled]
    assert not faults.any()


def library(stored: Any, kind: Kind, **modes: str) -> Any:
    """The same numbers in fxpmath."""
    return Fxp(stored, signed=True, n_word=kind.bits, n_frac=kind.fraction_bits, raw=True, **modes)


def library_form(kind: Kind, rounding: str, overflow: str) -> dict[str, Any]:
    return {
        "signed": True, "n_word": kind.bits, "n_frac": kind.fraction_bits, "rounding": rounding,
        "overflow": overflow,
    }  # fmt: skip


@pytest.mark.parametrize("name", [row[0] for row in OPERATIONS])
@pytest.mark.parametrize("kind", [kind for kind in FORMATS if kind.bits < 32], ids=named)
def test_library_gives_the_same_sums_and_products(kind: Kind, name: str) -> None:
    """fxpmath widens a result until it is exact, then fits it into the format: floor, wrap or saturate. Its
    64-bit products pass through float64 and round there (it warns); 32 bits are judged by Fraction above."""
    _, function, op, saturating, _ = next(row for row in OPERATIONS if row[0] == name)
    pairs = operand_pairs(kind, count=500)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # it says so where it turns to Python's integers
        whole = function(library(pairs[:, 0], kind), library(pairs[:, 1], kind))
        for opcode, overflow in ((op, "wrap"), (saturating, "saturate")):
            expected = Fxp(whole, **library_form(kind, "floor", overflow)).val
            rows = operation_rows(opcode, kind, extra=shift_of(opcode, kind))
            results, _, _ = run_operation(rows, pairs)
            assert [int(x) for x in results] == [int(x) for x in expected]


@pytest.mark.parametrize("kind", [kind for kind in FORMATS if kind.bits < 32], ids=named)
def test_library_gives_the_same_quotients(kind: Kind) -> None:
    """Toward zero ("fix"). fxpmath divides as float64, which is exact enough for 16 bits by 16 bits."""
    pairs = operand_pairs(kind, count=500)
    pairs = pairs[pairs[:, 1] != 0]
    out = Fxp(None, **library_form(kind, "fix", "wrap"))
    expected = functions.truediv(
        library(pairs[:, 0], kind), library(pairs[:, 1], kind), out=out, method="repr"
    ).val
    rows = operation_rows(opcodes.DIV_SHIFT, kind, extra=kind.fraction_bits)
    results, _, _ = run_operation(rows, pairs)
    assert [int(x) for x in results] == [int(x) for x in expected]


@pytest.mark.parametrize("source", FORMATS, ids=named)
@pytest.mark.parametrize("target", FORMATS, ids=named)
def test_library_gives_the_same_conversions(source: Kind, target: Kind) -> None:
    pairs = operand_pairs(source, count=300)
    bits = target.fraction_bits - source.fraction_bits
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        for opcode, overflow in ((opcodes.CONVERT, "wrap"), (opcodes.SAT_CONVERT, "saturate")):
            form = library_form(target, "floor", overflow)
            expected = Fxp(library(pairs[:, 0], source), **form).val
            results, _, _ = run_operation(operation_rows(opcode, target, b=bits, extra=source.index), pairs)
            assert [int(x) for x in results] == [int(x) for x in expected]


@pytest.mark.parametrize("kind", FORMATS, ids=named)
def test_library_saturates_floats_in_the_same_way(kind: Kind) -> None:
    draw = np.random.default_rng(9)
    values = draw.normal(size=1000) * 2.0 ** (kind.bits - kind.fraction_bits)
    expected = Fxp(values, **library_form(kind, "fix", "saturate")).val
    rows = operation_rows(opcodes.SAT_FROM_FLOAT, kind, b=kind.fraction_bits, extra=F64.index)
    results, _, _ = run_operation(rows, np.column_stack([values, values]))
    np.testing.assert_array_equal(results, expected)
