"""The machine against gcc: every integer operation of every kind, the same bits.

gcc is run with -fwrapv, which defines the signed wraps that ISO C11 (N1570) leaves undefined (6.5 p5) the way
two's complement hardware does them. Clauses stand beside the expressions.
"""

import ctypes
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from controllers import opcodes
from controllers.faults import CONVERSION, OVERFLOW, ZERO_DIVISION
from controllers.kinds import INTEGER_KINDS, Kind
from tests.controllers.support import (
    C_TYPES,
    SIGNED_KINDS,
    compile_c,
    operand_pairs,
    operation_rows,
    run_operation,
)

# name -> (C expression in x, y of type T; opcode). Operands are promoted to int (6.3.1.1 p2), brought to a
# common type (6.3.1.8), and the result is converted back to T (6.3.1.3: modulo for unsigned; gcc: low bits).
BINARY = {
    "add": ("x + y", opcodes.ADD),
    "sub": ("x - y", opcodes.SUB),
    "mul": ("x * y", opcodes.MUL),  # u16 * u16 is an int product (6.3.1.1 p2): wraps by -fwrapv
    "wrap_add": ("x + y", opcodes.WRAP_ADD),  # unsigned never overflows (6.2.5 p9)
    "wrap_sub": ("x - y", opcodes.WRAP_SUB),
    "and": ("x & y", opcodes.AND),  # 6.5.10
    "xor": ("x ^ y", opcodes.XOR),  # 6.5.11
    "or": ("x | y", opcodes.OR),  # 6.5.12
    "neg": ("-x", opcodes.NEG),  # 6.5.3.3 p3
    "lt": ("x < y", opcodes.JUMP_LT),  # 6.5.8
    "le": ("x <= y", opcodes.JUMP_LE),
    "eq": ("x == y", opcodes.JUMP_EQ),  # 6.5.9
    "not_lt": ("!(x < y)", opcodes.JUMP_NOT_LT),
    "not_le": ("!(x <= y)", opcodes.JUMP_NOT_LE),
    "ne": ("x != y", opcodes.JUMP_NE),
    # toward zero, (a/b)*b + a%b == a (6.5.5 p6); x/0 is undefined (6.5.5 p5) and 0 here; INT_MIN / -1 is
    # undefined and traps on x86 in spite of -fwrapv: the expression avoids it by -x with wrap, remainder 0
    "div": ("y == 0 ? 0 : IS_MINUS_1(y) ? -x : x / y", opcodes.DIV),
    "mod": ("y == 0 || IS_MINUS_1(y) ? 0 : x % y", opcodes.MOD),
}
SHIFTS = {
    "shl": ("(U)x << y", opcodes.SHL),  # 6.5.7 p4; through unsigned, where a negative x would be undefined
    "shr": ("x >> y", opcodes.SHR),  # 6.5.7 p5; negative: implementation-defined, gcc is arithmetic
}
WIDE = {
    "mul_shift": ("((int64_t)x * y) >> count", opcodes.MUL_SHIFT),
    "div_shift": ("y == 0 ? 0 : ((int64_t)x * ((int64_t)1 << count)) / y", opcodes.DIV_SHIFT),
}

Judge = Callable[..., Any]


def c_function(name: str, kind: str, expression: str) -> str:
    """One C function over arrays of operands."""
    minus_1 = "((y) == -1)" if kind.startswith("i") else "0"
    body = expression.replace("IS_MINUS_1(y)", minus_1).replace("(U)", f"({C_TYPES['u' + kind[1:]]})")
    return (
        f"void {name}(const int64_t *a, const int64_t *b, int64_t *r, int n, int count) {{\n"
        f"  (void)count; (void)b;\n"
        f"  for (int i = 0; i < n; i++) {{ {C_TYPES[kind]} x = a[i], y = b[i]; (void)y; "
        f"r[i] = ({C_TYPES[kind]})({body}); }}\n}}\n"
    )


def c_source() -> str:
    """All functions the tests call."""
    parts = ["#include <stdint.h>\n"]
    for kind in INTEGER_KINDS:
        for name, (expression, _) in (BINARY | SHIFTS | WIDE).items():
            parts.append(c_function(f"{kind.name}_{name}", kind.name, expression))
        for source in INTEGER_KINDS:
            expression = f"({C_TYPES[source.name]})a[i]"
            parts.append(c_function(f"{source.name}_to_{kind.name}", kind.name, expression))
    return "".join(parts)


@pytest.fixture(scope="session")
def judge(tmp_path_factory: pytest.TempPathFactory) -> Judge:
    """judge(function, pairs, count): what gcc's code answers."""
    library = compile_c(tmp_path_factory.mktemp("judge"), c_source())

    def answer(function: str, pairs: Any, count: int = 0) -> Any:
        a, b = (np.ascontiguousarray(pairs[:, column], dtype=np.int64) for column in (0, 1))
        result = np.zeros(len(pairs), dtype=np.int64)
        pointers = [ctypes.c_void_p(array.ctypes.data) for array in (a, b, result)]
        getattr(library, function)(*pointers, len(pairs), count)
        return result

    return answer


@pytest.mark.parametrize("name", BINARY)
@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_operation_gives_the_bits_of_gcc(judge: Judge, kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind)
    result, _, _ = run_operation(operation_rows(BINARY[name][1], kind), pairs)
    np.testing.assert_array_equal(result, judge(f"{kind.name}_{name}", pairs))


@pytest.mark.parametrize("name", SHIFTS)
@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_shift_gives_the_bits_of_gcc(judge: Judge, kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind, count=100)
    for count in range(kind.bits):  # count >= width is undefined (6.5.7 p3); the compiler refuses it
        pairs[:, 1] = count
        result, _, _ = run_operation(operation_rows(SHIFTS[name][1], kind, b=0, extra=count), pairs)
        np.testing.assert_array_equal(result, judge(f"{kind.name}_{name}", pairs))


@pytest.mark.parametrize("source", INTEGER_KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("target", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_conversion_gives_the_bits_of_gcc(judge: Judge, source: Kind, target: Kind) -> None:
    """6.3.1.3: value kept where it fits, else the low bits; a change of value is counted."""
    pairs = operand_pairs(source)
    rows = operation_rows(opcodes.CONVERT, target, b=0, extra=source.index)
    result, _, faults = run_operation(rows, pairs)
    np.testing.assert_array_equal(result, judge(f"{source.name}_to_{target.name}", pairs))
    np.testing.assert_array_equal(faults[:, CONVERSION], result != pairs[:, 0])


@pytest.mark.parametrize("name", WIDE)
@pytest.mark.parametrize("kind", SIGNED_KINDS, ids=lambda kind: kind.name)
def test_wide_operation_gives_the_bits_of_gcc(judge: Judge, kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind)
    for count in range(kind.bits):
        result, _, _ = run_operation(operation_rows(WIDE[name][1], kind, extra=count), pairs)
        np.testing.assert_array_equal(result, judge(f"{kind.name}_{name}", pairs, count))


def exact_values(name: str, pairs: Any) -> list[int]:
    """Results in unbounded integers."""
    exact: dict[str, Callable[[int, int], int]] = {
        "add": lambda x, y: x + y,
        "sub": lambda x, y: x - y,
        "mul": lambda x, y: x * y,
        "neg": lambda x, _: -x,
        "div": lambda x, y: 0 if y == 0 else abs(x) // abs(y) * (1 if (x < 0) == (y < 0) else -1),
    }
    return [exact[name](int(x), int(y)) for x, y in pairs]


@pytest.mark.parametrize("name", ["add", "sub", "mul", "neg", "div"])
@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_overflow_is_counted_exactly_where_the_value_does_not_fit(kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind)
    _, _, faults = run_operation(operation_rows(BINARY[name][1], kind), pairs)
    outside = [not kind.low <= value <= kind.high for value in exact_values(name, pairs)]
    np.testing.assert_array_equal(faults[:, OVERFLOW], outside)


@pytest.mark.parametrize("name", ["div", "mod", "div_shift"])
@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_division_by_zero_is_zero_and_counted(kind: Kind, name: str) -> None:
    pairs = operand_pairs(kind)
    result, _, faults = run_operation(operation_rows((BINARY | WIDE)[name][1], kind, extra=0), pairs)
    by_zero = pairs[:, 1] == 0
    assert by_zero.any()
    np.testing.assert_array_equal(faults[:, ZERO_DIVISION], by_zero)
    assert not result[by_zero].any()


@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("op", [opcodes.WRAP_ADD, opcodes.WRAP_SUB], ids=["wrap_add", "wrap_sub"])
def test_meant_wraps_are_not_counted(kind: Kind, op: int) -> None:
    _, _, faults = run_operation(operation_rows(op, kind), operand_pairs(kind))
    assert not faults.any()


@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_lost_bits_of_a_left_shift_are_counted(kind: Kind) -> None:
    pairs = operand_pairs(kind, count=200)
    for count in (1, kind.bits - 1):
        result, _, faults = run_operation(operation_rows(opcodes.SHL, kind, b=0, extra=count), pairs)
        lost = [int(x) << count != int(r) for x, r in zip(pairs[:, 0], result, strict=True)]
        np.testing.assert_array_equal(faults[:, OVERFLOW], lost)
