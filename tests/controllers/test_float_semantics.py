"""Float operations of the machine against numpy, conversions against gcc."""

import ctypes
import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from controllers import opcodes
from controllers.faults import CONVERSION, OVERFLOW, ZERO_DIVISION
from controllers.kinds import F32, F64, INTEGER_KINDS, Kind
from controllers.lower.constants import encode
from tests.controllers.support import (
    C_TYPES,
    FLOAT_KINDS,
    compile_c,
    operand_pairs,
    operation_rows,
    run_operation,
)

DTYPES = {"f32": np.float32, "f64": np.float64}
ARITHMETIC = {
    "add": (np.add, opcodes.F_ADD),
    "sub": (np.subtract, opcodes.F_SUB),
    "mul": (np.multiply, opcodes.F_MUL),
    "div": (np.divide, opcodes.F_DIV),
}
COMPARES: dict[str, tuple[Callable[[float, float], bool], int]] = {
    "lt": (lambda a, b: a < b, opcodes.F_JUMP_LT),
    "le": (lambda a, b: a <= b, opcodes.F_JUMP_LE),
    "eq": (lambda a, b: a == b, opcodes.F_JUMP_EQ),
    "not_lt": (lambda a, b: not a < b, opcodes.F_JUMP_NOT_LT),
    "not_le": (lambda a, b: not a <= b, opcodes.F_JUMP_NOT_LE),
    "ne": (lambda a, b: a != b, opcodes.F_JUMP_NE),
}


def float_pairs(kind: Kind, count: int = 20000) -> Any:
    """Both signs, 2**-30..2**30: results stay normal, where rounding twice equals rounding once."""
    draw = np.random.default_rng(7)
    size = np.exp2(draw.uniform(-30, 30, size=(count, 2)))
    return (size * draw.choice([-1, 1], size=(count, 2))).astype(DTYPES[kind.name]).astype(np.float64)


@pytest.mark.parametrize("name", ARITHMETIC)
@pytest.mark.parametrize("kind", FLOAT_KINDS, ids=lambda kind: kind.name)
def test_arithmetic_gives_the_bits_of_numpy(kind: Kind, name: str) -> None:
    pairs = float_pairs(kind)
    function, op = ARITHMETIC[name]
    _, result, faults = run_operation(operation_rows(op, kind), pairs)
    a, b = (pairs[:, column].astype(DTYPES[kind.name]) for column in (0, 1))
    np.testing.assert_array_equal(result, function(a, b).astype(np.float64))
    assert not faults.any()


@pytest.mark.parametrize("name", COMPARES)
@pytest.mark.parametrize("kind", FLOAT_KINDS, ids=lambda kind: kind.name)
def test_comparison_follows_ieee_754_also_for_nan(kind: Kind, name: str) -> None:
    values = (-math.inf, -1.5, -0.0, 0.0, 1.5, math.inf, math.nan)
    pairs = np.array([(a, b) for a in values for b in values])
    holds, op = COMPARES[name]
    rows = operation_rows(op, kind)
    result, _, _ = run_operation(rows, pairs)
    np.testing.assert_array_equal(result, [holds(a, b) for a, b in pairs])


@pytest.mark.parametrize("kind", FLOAT_KINDS, ids=lambda kind: kind.name)
def test_negation_changes_the_sign_only(kind: Kind) -> None:
    pairs = float_pairs(kind, 100)
    _, result, _ = run_operation(operation_rows(opcodes.F_NEG, kind), pairs)
    np.testing.assert_array_equal(result, -pairs[:, 0])


def test_division_by_zero_is_infinite_and_counted() -> None:
    """IEEE 754: x/0 is an infinity with the sign of both, 0/0 is NaN."""
    pairs = np.array([(1.0, 0.0), (-1.0, 0.0), (1.0, -0.0), (0.0, 0.0), (1.0, 2.0)])
    _, result, faults = run_operation(operation_rows(opcodes.F_DIV, F32), pairs)
    np.testing.assert_array_equal(result, [math.inf, -math.inf, -math.inf, math.nan, 0.5])
    np.testing.assert_array_equal(faults[:, ZERO_DIVISION], [1, 1, 1, 1, 0])


@pytest.mark.parametrize(("kind", "big"), [(F32, 3e38), (F64, 1.7e308)], ids=["f32", "f64"])
def test_infinite_result_of_finite_operands_counts_as_overflow(kind: Kind, big: float) -> None:
    pairs = np.array([(big, big), (big, -big), (1.0, 1.0)]).astype(DTYPES[kind.name]).astype(np.float64)
    _, result, faults = run_operation(operation_rows(opcodes.F_ADD, kind), pairs)
    np.testing.assert_array_equal(result, [math.inf, 0.0, 2.0])
    np.testing.assert_array_equal(faults[:, OVERFLOW], [1, 0, 0])


def test_narrowing_a_double_gives_the_bits_of_numpy() -> None:
    pairs = float_pairs(F64)
    _, result, _ = run_operation(operation_rows(opcodes.F_CONVERT, F32, b=0, extra=F64.index), pairs)
    np.testing.assert_array_equal(result, pairs[:, 0].astype(np.float32).astype(np.float64))


def c_source() -> str:
    """Conversions between every integer and float kind."""
    parts = ["#include <stdint.h>\n"]
    for whole in INTEGER_KINDS:
        for real in FLOAT_KINDS:
            integer, floating = C_TYPES[whole.name], C_TYPES[real.name]
            parts.append(
                f"void {whole.name}_to_{real.name}(const double *a, double *r, int n) {{\n"
                f"  for (int i = 0; i < n; i++) {{ {integer} x = a[i]; r[i] = ({floating})x; }}\n}}\n"
                f"void {real.name}_to_{whole.name}(const double *a, double *r, int n) {{\n"
                f"  for (int i = 0; i < n; i++) {{ {floating} x = a[i]; r[i] = ({integer})x; }}\n}}\n"
            )
    return "".join(parts)


@pytest.fixture(scope="session")
def judge(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Any], Any]:
    """judge(function, values): what gcc's code answers."""
    library = compile_c(tmp_path_factory.mktemp("judge"), c_source())

    def answer(function: str, values: Any) -> Any:
        operand = np.ascontiguousarray(values, dtype=np.float64)
        result = np.zeros(len(operand))
        pointers = [ctypes.c_void_p(array.ctypes.data) for array in (operand, result)]
        getattr(library, function)(*pointers, len(operand))
        return result

    return answer


@pytest.mark.parametrize("real", FLOAT_KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("whole", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_integer_to_float_gives_the_bits_of_gcc(
    judge: Callable[[str, Any], Any], whole: Kind, real: Kind
) -> None:
    """ISO C11 6.3.1.4 p2: exact where it fits, else rounded (gcc: to nearest)."""
    pairs = operand_pairs(whole)
    rows = operation_rows(opcodes.INT_TO_FLOAT, real, b=0, extra=whole.index)
    _, result, _ = run_operation(rows, pairs)
    np.testing.assert_array_equal(result, judge(f"{whole.name}_to_{real.name}", pairs[:, 0]))


@pytest.mark.parametrize("real", FLOAT_KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("whole", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_float_to_integer_gives_the_bits_of_gcc(
    judge: Callable[[str, Any], Any], whole: Kind, real: Kind
) -> None:
    """ISO C11 6.3.1.4 p1: the fraction is dropped; only values whose whole part fits are defined."""
    draw = np.random.default_rng(3)
    inside = draw.uniform(whole.low - 0.99, whole.high + 0.99, size=(4000, 2)) / np.exp2(
        draw.integers(0, whole.bits, size=(4000, 1))
    )
    values = inside.astype(DTYPES[real.name]).astype(np.float64)
    values = values[(np.trunc(values[:, 0]) >= whole.low) & (np.trunc(values[:, 0]) <= whole.high)]
    rows = operation_rows(opcodes.FLOAT_TO_INT, whole, b=0, extra=real.index)
    result, _, faults = run_operation(rows, values)
    np.testing.assert_array_equal(result, judge(f"{real.name}_to_{whole.name}", values[:, 0]))
    assert not faults.any()


@pytest.mark.parametrize("whole", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_float_outside_the_integer_saturates_and_is_counted(whole: Kind) -> None:
    values = np.array([whole.high + 1.0, whole.low - 1.0, math.inf, -math.inf, math.nan, whole.high + 0.5])
    pairs = np.column_stack([values, np.zeros_like(values)])
    rows = operation_rows(opcodes.FLOAT_TO_INT, whole, b=0, extra=F64.index)
    result, _, faults = run_operation(rows, pairs)
    np.testing.assert_array_equal(result, [whole.high, whole.low, whole.high, whole.low, 0, whole.high])
    np.testing.assert_array_equal(faults[:, CONVERSION], [1, 1, 1, 1, 1, 0])


def special_pairs(kind: Kind) -> Any:
    """Every pair of the numbers where IEEE 754 has a rule of its own, both signs."""
    info = np.finfo(DTYPES[kind.name])
    tiny, least, most = float(info.tiny), float(info.smallest_subnormal), float(info.max)
    positive = [0.0, least, 3 * least, tiny - least, tiny, tiny + least, 1.0, 1.0 + float(info.eps), 1.5, 3.0,
                most / 2, most, math.inf, math.nan]  # fmt: skip
    values = [*positive, *(-value for value in positive)]
    return np.array([(a, b) for a in values for b in values])


def expect_bits(found: Any, expected: Any) -> None:
    """Equal numbers, NaN where NaN, and the same sign of every zero."""
    np.testing.assert_array_equal(found, expected)
    is_number = ~np.isnan(expected)
    np.testing.assert_array_equal(np.signbit(found)[is_number], np.signbit(expected)[is_number])


@pytest.mark.parametrize("name", ARITHMETIC)
@pytest.mark.parametrize("kind", FLOAT_KINDS, ids=lambda kind: kind.name)
def test_subnormals_infinities_and_nan_follow_ieee_754(kind: Kind, name: str) -> None:
    """IEEE 754-2019, from memory: 6.1 infinities, 6.2 NaN, 6.3 signs of zero, 7.3 x/0, 7.4 overflow."""
    pairs = special_pairs(kind)
    function, op = ARITHMETIC[name]
    _, result, faults = run_operation(operation_rows(op, kind), pairs)
    a, b = (pairs[:, column].astype(DTYPES[kind.name]) for column in (0, 1))
    with np.errstate(all="ignore"):
        expected = function(a, b).astype(np.float64)
    expect_bits(result, expected)
    by_zero = (pairs[:, 1] == 0) & (name == "div")
    np.testing.assert_array_equal(faults[:, ZERO_DIVISION], by_zero)
    np.testing.assert_array_equal(faults[:, OVERFLOW], np.isinf(expected) & ~by_zero)
    assert not faults[:, CONVERSION].any()


def bits_of(draw: np.random.Generator, bits: int, count: int) -> Any:
    """Whole numbers of exactly `bits` bits."""
    return draw.integers(1 << (bits - 1), 1 << bits, size=count).astype(np.float64)


def near_halfway(draw: np.random.Generator, bits: int, count: int) -> Any:
    """(a, b) whose quotient misses a number of `bits` bits by little: a = m b + 1 or m b - 1."""
    m, b = bits_of(draw, bits, count), bits_of(draw, 24 - bits, count)
    return np.column_stack([m * b + draw.choice([-1, 1], size=count), b])


@pytest.mark.parametrize("name", ARITHMETIC)
def test_single_results_through_double_are_those_of_single_also_where_subnormal(name: str) -> None:
    """Rounding twice is harmless for one + - * / of normal results (Figueroa, ACM SIGNUM 30(3), 1995: 53 >=
    2 * 24 + 2). For subnormal results, which he leaves out: sums and products of floats are exact in float64
    there. A quotient a/b differs from the point m halfway between two subnormals by |a - m b| / b; m has at
    most 24 bits, as a and b, so by at least 2**-48 of itself, and float64 moves it by 2**-53."""
    draw = np.random.default_rng(11)
    function, op = ARITHMETIC[name]
    scales = {"add": (-149, -126, -149, -126), "sub": (-149, -126, -149, -126),
              "mul": (-80, -60, -80, -66), "div": (-126, -90, 14, 40)}[name]  # fmt: skip
    exponents = [draw.uniform(low, high, 60_000) for low, high in (scales[:2], scales[2:])]
    size = np.exp2(np.column_stack(exponents))
    pairs = size * draw.choice([-1, 1], size=size.shape)
    if name == "div":
        hard = np.concatenate([near_halfway(draw, bits, 500) for bits in range(2, 23)])
        # a 2**-126 / (b 2**24) is near m 2**-150: an odd number of half steps of 2**-149
        pairs = np.concatenate([pairs, hard * np.array([2.0**-126, 2.0**24])])
    a, b = pairs[:, 0].astype(np.float32), pairs[:, 1].astype(np.float32)
    keep = b != 0
    a, b = a[keep], b[keep]
    with np.errstate(all="ignore"):
        expected = function(a, b)
    _, result, _ = run_operation(operation_rows(op, F32), np.column_stack([a, b]).astype(np.float64))
    is_subnormal = (np.abs(expected) < np.finfo(np.float32).tiny) & (expected != 0)
    assert is_subnormal.sum() > 10_000
    expect_bits(result, expected.astype(np.float64))


def test_decimal_literal_is_rounded_twice_and_may_be_one_step_off() -> None:
    """The one place where going through float64 shows: a literal is read as float64, then rounded. This one
    lies just below the point halfway between 1 + 2**-23 and 1 + 2**-22. Still within ISO C11 6.4.4.2 p3
    (nearest, or the next one on either side); gcc reads the decimal digits and finds the nearest."""
    text = "1.0000001788139343261718749"
    assert Fraction(text) < 1 + Fraction(3, 2**24)
    assert encode(float(text), F32) == 1 + 2.0**-22
    nearest = min((1 + k * 2.0**-23 for k in range(4)), key=lambda x: abs(Fraction(x) - Fraction(text)))
    assert nearest == 1 + 2.0**-23


def test_single_is_rounded_after_every_operation() -> None:
    """(2**24 + 1) + 1 is 2**24 in steps of float32, and 2**24 + 2 where only the end is rounded."""
    rows = [
        (opcodes.F_ADD, F32.index, 2, 0, 1, 0),
        (opcodes.F_ADD, F32.index, 2, 2, 1, 0),
        (opcodes.RET, 0, 0, 0, 0, 0),
    ]
    _, result, _ = run_operation(rows, np.array([(2.0**24, 1.0)]))
    assert result[0] == 2.0**24
    assert np.float32(2.0**24 + 1 + 1) == 2.0**24 + 2


@pytest.mark.parametrize("source", FLOAT_KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("target", FLOAT_KINDS, ids=lambda kind: kind.name)
def test_conversion_between_floats_gives_the_bits_of_numpy(source: Kind, target: Kind) -> None:
    """Exact to float64; to float32 nearest, ties to even, gradual underflow, infinity counted."""
    pairs = np.concatenate([special_pairs(source), special_pairs(F32), float_pairs(source, 2000)])
    pairs = pairs.astype(DTYPES[source.name]).astype(np.float64)
    _, result, faults = run_operation(
        operation_rows(opcodes.F_CONVERT, target, b=0, extra=source.index), pairs
    )
    with np.errstate(over="ignore", under="ignore"):
        expected = pairs[:, 0].astype(DTYPES[target.name]).astype(np.float64)
    expect_bits(result, expected)
    np.testing.assert_array_equal(faults[:, OVERFLOW], np.isinf(expected))


@pytest.mark.parametrize("kind", FLOAT_KINDS, ids=lambda kind: kind.name)
def test_negation_and_move_keep_every_bit_pattern(kind: Kind) -> None:
    pairs = special_pairs(kind)
    _, negated, faults = run_operation(operation_rows(opcodes.F_NEG, kind), pairs)
    expect_bits(negated, -pairs[:, 0])
    _, moved, _ = run_operation(operation_rows(opcodes.F_MOVE, kind), pairs)
    expect_bits(moved, pairs[:, 0])
    assert not faults.any()
