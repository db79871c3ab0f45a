"""Saturation, meant wraps, whole products and 64-bit intermediates against gcc: same bits, same faults.

The judge computes in __int128 (gcc manual, "128-bit Integers"), where no result of two 64-bit operands
overflows; only u64 * u64 needs the unsigned one. What the machine stores is that value converted to the kind
(ISO C11 N1570, 6.3.1.3: modulo for unsigned, gcc: low bits for signed), or held within the limits of stdint.h
(7.20.2.1); a fault is a stored value that differs from the exact one.
"""

import ctypes
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from controllers import opcodes
from controllers.faults import CONVERSION, OVERFLOW, ZERO_DIVISION
from controllers.kinds import INTEGER_KINDS, KIND_BY_NAME, MACHINE_KINDS, WIDE_KINDS, Kind, doubled
from tests.controllers.support import (
    C_TYPES,
    FLOAT_KINDS,
    SIGNED_KINDS,
    compile_c,
    operand_pairs,
    operation_rows,
    run_operation,
)

ALL_INTEGERS = (*INTEGER_KINDS, *WIDE_KINDS)
# name -> (exact value in E, a 128-bit type; opcode; fault counted where the stored value is another)
WIDE = {
    "add": ("(E)x + y", opcodes.WIDE_ADD),  # 6.5.6; unsigned wraps (6.2.5 p9), signed undefined (6.5 p5)
    "sub": ("(E)x - y", opcodes.WIDE_SUB),
    "mul": ("(E)x * y", opcodes.WIDE_MUL),  # 6.5.5
    "neg": ("-(E)x", opcodes.WIDE_NEG),  # 6.5.3.3 p3
    # toward zero (6.5.5 p6); x/0 is undefined (6.5.5 p5), 0 here; INT64_MIN / -1 fits E
    "div": ("y == 0 ? 0 : (E)x / y", opcodes.WIDE_DIV),
    "mod": ("y == 0 ? 0 : (E)x % y", opcodes.WIDE_MOD),
}
SHIFTS = {
    "shl": ("(E)x * ((E)1 << count)", opcodes.WIDE_SHL),  # x * 2**count (6.5.7 p4)
    "shr": ("x >> count", opcodes.WIDE_SHR),  # negative: implementation-defined, gcc: arithmetic (6.5.7 p5)
}
COMPARES = {
    "lt": ("x < y", opcodes.WIDE_JUMP_LT),  # 6.5.8
    "le": ("x <= y", opcodes.WIDE_JUMP_LE),
    "eq": ("x == y", opcodes.JUMP_EQ),  # 6.5.9; the same opcodes as in 32 bits
    "ne": ("x != y", opcodes.JUMP_NE),
}
SATURATING = {
    "sat_add": ("(E)x + y", opcodes.SAT_ADD),
    "sat_sub": ("(E)x - y", opcodes.SAT_SUB),
    "sat_mul": ("((E)x * y) >> count", opcodes.SAT_MUL_SHIFT),  # 6.5.7 p5
}

Judge = Callable[..., tuple[Any, Any]]


def c_function(name: str, source: str, target: str, exact: str, is_saturating: bool = False) -> str:
    """C function over arrays: results r in kind `target`, and o = 1 where r is not the exact value."""
    limits = f"(E){'UINT' if target[0] == 'u' else 'INT'}{target[1:]}"
    low = "(E)0" if target[0] == "u" else f"{limits}_MIN"
    held = f"e < {low} ? {low} : e > {limits}_MAX ? {limits}_MAX : e" if is_saturating else "e"
    return (
        f"void {name}(const int64_t *a, const int64_t *b, int64_t *r, int64_t *o, int n, int count) {{\n"
        f"  (void)count; (void)b;\n"
        f"  for (int i = 0; i < n; i++) {{ {C_TYPES[source]} x = a[i], y = b[i]; (void)y;\n"
        f"    E e = {exact}; {C_TYPES[target]} t = {held}; r[i] = t; o[i] = (E)t != e; }}\n}}\n"
    )


def c_source() -> str:
    """All functions the tests call; those of u64 * u64 stand below an unsigned E."""
    parts = ["#include <stdint.h>\n#include <math.h>\ntypedef __int128 E;\n"]
    for kind in WIDE_KINDS:
        for name, (exact, _) in (WIDE | SHIFTS | COMPARES).items():
            parts.append(c_function(f"{kind.name}_{name}", kind.name, kind.name, exact))
    for kind in INTEGER_KINDS:
        for name, (exact, _) in SATURATING.items():
            parts.append(c_function(f"{kind.name}_{name}", kind.name, kind.name, exact, is_saturating=True))
    for source in ALL_INTEGERS:
        for target in ALL_INTEGERS:
            both = f"{source.name}_to_{target.name}"
            parts.append(c_function(both, source.name, target.name, "x"))
            parts.append(c_function(f"sat_{both}", source.name, target.name, "x", is_saturating=True))
    parts.append("#define E unsigned __int128\n")
    parts.append(c_function("u64_mul_unsigned", "u64", "u64", "(E)x * y"))
    parts += [c_function(f"{kind.name}_wide", kind.name, wide.name, f"({C_TYPES[wide.name]})x * y")
              for kind in INTEGER_KINDS if (wide := doubled(kind)) is not None]  # fmt: skip
    return "".join(parts)


@pytest.fixture(scope="session")
def judge(tmp_path_factory: pytest.TempPathFactory) -> Judge:
    """judge(function, pairs, count): results of gcc's code, and where they are not exact."""
    library = compile_c(tmp_path_factory.mktemp("wide_judge"), c_source())

    def answer(function: str, pairs: Any, count: int = 0) -> tuple[Any, Any]:
        a, b = (np.ascontiguousarray(pairs[:, column]).astype(np.int64) for column in (0, 1))
        result, inexact = np.zeros(len(pairs), dtype=np.int64), np.zeros(len(pairs), dtype=np.int64)
        pointers = [ctypes.c_void_p(array.ctypes.data) for array in (a, b, result, inexact)]
        getattr(library, function)(*pointers, len(pairs), count)
        return result, inexact

    return answer


def expect(found: tuple[Any, Any, Any], expected: tuple[Any, Any], fault: int | None) -> None:
    """Same bits; `fault` is counted once where the stored value is not exact, and nothing else is."""
    result, _, faults = found
    np.testing.assert_array_equal(result, expected[0])
    counted = np.zeros_like(faults)
    if fault is not None:
        counted[:, fault] = expected[1]
    np.testing.assert_array_equal(faults, counted)


def named(kind: Kind) -> str:
    return kind.name


def test_operands_reach_both_ends_of_64_bits() -> None:
    u64, i64 = WIDE_KINDS
    assert {0, 2**63 - 1, 2**63, 2**64 - 1} <= {int(x) for x in operand_pairs(u64).ravel()}
    assert {-(2**63), -1, 0, 2**63 - 1} <= {int(x) for x in operand_pairs(i64).ravel()}


@pytest.mark.parametrize("name", [name for name in WIDE if name not in ("div", "mod")])
@pytest.mark.parametrize("kind", WIDE_KINDS, ids=named)
def test_wide_operation_gives_the_bits_and_the_faults_of_gcc(judge: Judge, kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind, count=4000)
    function = "u64_mul_unsigned" if (kind.name, name) == ("u64", "mul") else f"{kind.name}_{name}"
    expected = judge(function, pairs)
    assert 0 < expected[1].sum() < len(pairs)
    expect(run_operation(operation_rows(WIDE[name][1], kind), pairs), expected, OVERFLOW)


@pytest.mark.parametrize("name", ["div", "mod"])
@pytest.mark.parametrize("kind", WIDE_KINDS, ids=named)
def test_wide_division_truncates_and_counts_zero_apart(judge: Judge, kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind, count=4000)
    result, inexact = judge(f"{kind.name}_{name}", pairs)
    found, _, faults = run_operation(operation_rows(WIDE[name][1], kind), pairs)
    np.testing.assert_array_equal(found, result)
    np.testing.assert_array_equal(faults[:, OVERFLOW], inexact)  # INT64_MIN / -1 alone
    np.testing.assert_array_equal(faults[:, ZERO_DIVISION], pairs[:, 1] == 0)
    assert (inexact.sum() > 0) == (kind.signed and name == "div")
    assert not faults[:, CONVERSION:].any()


@pytest.mark.parametrize("name", SHIFTS)
@pytest.mark.parametrize("kind", WIDE_KINDS, ids=named)
def test_wide_shift_gives_the_bits_and_the_faults_of_gcc(judge: Judge, kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind, count=100)
    for count in range(64):
        rows = operation_rows(SHIFTS[name][1], kind, b=0, extra=count)
        expect(run_operation(rows, pairs), judge(f"{kind.name}_{name}", pairs, count), OVERFLOW)


@pytest.mark.parametrize("name", COMPARES)
@pytest.mark.parametrize("kind", WIDE_KINDS, ids=named)
def test_wide_comparison_is_that_of_gcc(judge: Judge, kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind)
    pairs[::9, 1] = pairs[::9, 0]  # equal operands, too
    expect(
        run_operation(operation_rows(COMPARES[name][1], kind), pairs),
        judge(f"{kind.name}_{name}", pairs),
        None,
    )


@pytest.mark.parametrize("target", ALL_INTEGERS, ids=named)
@pytest.mark.parametrize("source", ALL_INTEGERS, ids=named)
def test_conversion_from_and_to_64_bits_counts_every_change(judge: Judge, source: Kind, target: Kind) -> None:
    """6.3.1.3. Between two kinds of at most 32 bits the compiler uses CONVERT: test_integer_semantics."""
    if not (source.is_wide or target.is_wide):
        pytest.skip("CONVERT")
    pairs = operand_pairs(source)
    rows = operation_rows(opcodes.WIDE_CONVERT, target, b=0, extra=source.index)
    expect(run_operation(rows, pairs), judge(f"{source.name}_to_{target.name}", pairs), CONVERSION)


@pytest.mark.parametrize("target", ALL_INTEGERS, ids=named)
@pytest.mark.parametrize("source", ALL_INTEGERS, ids=named)
def test_saturating_and_meant_conversions_count_nothing(judge: Judge, source: Kind, target: Kind) -> None:
    pairs = operand_pairs(source)
    both = f"{source.name}_to_{target.name}"
    rows = operation_rows(opcodes.SAT_CONVERT, target, b=0, extra=source.index)
    expect(run_operation(rows, pairs), judge(f"sat_{both}", pairs), None)
    rows = operation_rows(opcodes.WRAP_CONVERT, target, b=0, extra=source.index)
    expect(run_operation(rows, pairs), judge(both, pairs), None)


@pytest.mark.parametrize("name", SATURATING)
@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=named)
def test_saturating_operation_is_held_within_the_limits_of_its_kind(
    judge: Judge, kind: Kind, name: str
) -> None:
    pairs = operand_pairs(kind)
    # a shift makes a fixed-point product; unsigned fixed point there is none
    counts = range(kind.bits) if name == "sat_mul" and kind in SIGNED_KINDS else (0,)
    for count in counts:
        rows = operation_rows(SATURATING[name][1], kind, extra=count)
        expected = judge(f"{kind.name}_{name}", pairs, count)
        assert count or expected[1].any()
        expect(run_operation(rows, pairs), expected, None)


@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=named)
def test_whole_product_is_exact(judge: Judge, kind: Kind) -> None:
    """6.3.1.8 after a cast of one operand; no product of two n-bit integers needs more than 2n bits."""
    pairs = operand_pairs(kind)
    wide = doubled(kind)
    assert wide is not None
    rows = operation_rows(opcodes.MUL_WIDE, wide, extra=kind.index)
    found = run_operation(rows, pairs)
    expect(found, judge(f"{kind.name}_wide", pairs), None)
    unsigned = found[0].astype(np.uint64) if kind is KIND_BY_NAME["u32"] else found[0]
    assert [int(r) for r in unsigned] == [int(a) * int(b) for a, b in pairs]


@pytest.mark.parametrize("real", FLOAT_KINDS, ids=named)
@pytest.mark.parametrize("whole", INTEGER_KINDS, ids=named)
@pytest.mark.parametrize("bits", [0, 4, 7])
def test_float_saturates_toward_zero_and_nan_is_zero(whole: Kind, real: Kind, bits: int) -> None:
    """6.3.1.4 p1 drops the fraction and leaves the rest undefined; here it saturates. Exact in numpy's
    float64: a power of two scales without rounding, and every limit of 32 bits is a float64."""
    draw = np.random.default_rng(5)
    spread = draw.normal(size=(3000, 1)) * np.exp2(draw.uniform(-3, 40, size=(3000, 1)))
    ends = [whole.low, whole.high, whole.low - 0.5, whole.low - 1, whole.high + 0.5, whole.high + 1, 0, -0.0,
            -0.99, 0.99, np.inf, -np.inf, np.nan]  # fmt: skip
    values = np.concatenate([spread, np.array(ends)[:, None] / 2.0**bits])
    values = values.astype(np.float32 if real.bits == 32 else np.float64).astype(np.float64)
    rows = operation_rows(opcodes.SAT_FROM_FLOAT, whole, b=bits, extra=real.index)
    result, _, faults = run_operation(rows, np.column_stack([values, values]))
    scaled = np.nan_to_num(np.trunc(values[:, 0] * 2.0**bits), nan=0.0, posinf=1e300, neginf=-1e300)
    np.testing.assert_array_equal(result, np.clip(scaled, whole.low, whole.high).astype(np.int64))
    assert not faults.any()


def test_every_kind_of_the_machine_is_covered() -> None:
    assert set(ALL_INTEGERS) | set(FLOAT_KINDS) == set(MACHINE_KINDS)
