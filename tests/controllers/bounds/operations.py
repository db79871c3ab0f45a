"""Every operation in every form the compiler emits, run by the machine on single values."""

import math
from typing import Any, NamedTuple

import numpy as np
from hypothesis import strategies as st

from controllers import machine, opcodes
from controllers.bounds.intervals import Range, Real, Whole
from controllers.bounds.rules import JUMPS, RULES
from controllers.faults import FAULT_NAMES
from controllers.kinds import F32, F64, I16, INTEGER_KINDS, MACHINE_KINDS, WIDE_KINDS, Kind, doubled

FLOATS = (F32, F64)
SIGNED = tuple(kind for kind in INTEGER_KINDS if kind.signed)
BINARY_INTEGER = (
    opcodes.ADD, opcodes.SUB, opcodes.MUL, opcodes.DIV, opcodes.MOD, opcodes.AND, opcodes.OR, opcodes.XOR,
    opcodes.WRAP_ADD, opcodes.WRAP_SUB, opcodes.SAT_ADD, opcodes.SAT_SUB,
)  # fmt: skip
CONVERSIONS = (opcodes.CONVERT, opcodes.SAT_CONVERT, opcodes.WRAP_CONVERT, opcodes.WIDE_CONVERT)
SHIFTED = (opcodes.MUL_SHIFT, opcodes.DIV_SHIFT, opcodes.SAT_MUL_SHIFT)


class Form(NamedTuple):
    """One operation: kind of the result, columns b and extra, kinds of the operands (None: one operand)."""

    op: int
    kind: Kind
    b: int
    extra: int
    x: Kind
    y: Kind | None

    def __str__(self) -> str:
        names = f"{self.kind.name},{self.x.name},{self.y.name if self.y else '-'}"
        return f"{opcodes.OPCODES[self.op].name}[{names},b={self.b},extra={self.extra}]"


def plain_forms(op: int) -> list[Form]:
    """The forms of one operation; of counts of bits, the least, the greatest and some between."""
    if op in (opcodes.MOVE, opcodes.NEG):
        return [Form(op, k, 0, 0, k, None) for k in INTEGER_KINDS]
    if op in BINARY_INTEGER:
        return [Form(op, k, 1, 0, k, k) for k in INTEGER_KINDS]
    if op in (opcodes.SHL, opcodes.SHR):
        return [Form(op, k, 0, n, k, None) for k in INTEGER_KINDS for n in (0, 1, k.bits - 1)]
    if op in SHIFTED:
        return shifted_forms(op)
    if op in CONVERSIONS:
        return conversion_forms(op)
    if op == opcodes.MUL_WIDE:
        return [Form(op, wide, 1, k.index, k, k) for k in INTEGER_KINDS if (wide := doubled(k))]
    return wide_forms(op) if opcodes.OPCODES[op].name.startswith("WIDE_") else float_forms(op)


def shifted_forms(op: int) -> list[Form]:
    forms = [Form(op, k, 1, n, k, k) for k in SIGNED for n in (0, 1, k.bits - 1)]
    if op == opcodes.SAT_MUL_SHIFT:
        forms += [Form(op, k, 1, 0, k, k) for k in INTEGER_KINDS if not k.signed]
    if op == opcodes.MUL_SHIFT:  # a gain: i16 mantissa, shift up to the double width
        forms += [Form(op, k, 1, n, k, I16) for k in SIGNED for n in (0, 15, 2 * max(16, k.bits) - 1)]
    return forms


def conversion_forms(op: int) -> list[Form]:
    """Between integers; only those of at most 32 bits have a binary point."""
    points = (0, -3, 3, -31, 31) if op in (opcodes.CONVERT, opcodes.SAT_CONVERT) else (0,)
    integers = (*INTEGER_KINDS, *WIDE_KINDS)
    narrow = [Form(op, t, b, s.index, s, None) for s in INTEGER_KINDS for t in INTEGER_KINDS for b in points]
    wide = [Form(op, t, 0, s.index, s, None) for s in integers for t in integers if s.is_wide or t.is_wide]
    return (narrow if op != opcodes.WIDE_CONVERT else []) + (wide if op != opcodes.CONVERT else [])


def wide_forms(op: int) -> list[Form]:
    if op in (opcodes.WIDE_SHL, opcodes.WIDE_SHR):
        return [Form(op, k, 0, n, k, None) for k in WIDE_KINDS for n in (0, 1, 63)]
    is_single = opcodes.OPCODES[op].arity == 1
    return [Form(op, k, 0 if is_single else 1, 0, k, None if is_single else k) for k in WIDE_KINDS]


def float_forms(op: int) -> list[Form]:
    if op == opcodes.F_CONVERT:
        return [Form(op, t, 0, s.index, s, None) for s in FLOATS for t in FLOATS if s is not t]
    if op == opcodes.INT_TO_FLOAT:
        return [Form(op, t, b, s.index, s, None) for s in INTEGER_KINDS for t in FLOATS for b in (0, 7, 31)]
    if op in (opcodes.FLOAT_TO_INT, opcodes.SAT_FROM_FLOAT):
        return [Form(op, t, b, s.index, s, None) for s in FLOATS for t in INTEGER_KINDS for b in (0, 7, 31)]
    is_single = opcodes.OPCODES[op].arity == 1
    return [Form(op, k, 0 if is_single else 1, 0, k, None if is_single else k) for k in FLOATS]


FORMS = [form for op in RULES for form in plain_forms(op)]
JUMP_FORMS = [
    Form(op, kind, 1, 0, kind, kind)
    for op in JUMPS
    for kind in (
        FLOATS
        if opcodes.OPCODES[op].name.startswith("F_")
        else WIDE_KINDS
        if opcodes.OPCODES[op].name.startswith("WIDE_")
        else (*INTEGER_KINDS, *(WIDE_KINDS if op in (opcodes.JUMP_EQ, opcodes.JUMP_NE) else ()))
    )
]


class Rig:
    """The machine with three slots: operands in 0 and 1, the result in 2."""

    def __init__(self) -> None:
        self.code = np.zeros((4, 6), dtype=np.int32)
        self.cost = np.zeros(4, dtype=np.int64)
        self.ints = np.zeros(3, dtype=np.int64)
        self.floats = np.zeros(3, dtype=np.float64)
        self.faults = np.zeros((4, len(FAULT_NAMES)), dtype=np.int64)

    def set(self, slot: int, kind: Kind, value: float) -> None:
        if kind.is_float:
            self.floats[slot] = value
        else:
            self.ints[slot] = cell(int(value))

    def run(self, form: Form, x: float, y: float | None) -> tuple[float, frozenset[int]]:
        """Result and faults counted."""
        self.code[0] = (form.op, form.kind.index, 2, 0, form.b, form.extra)
        self.set(0, form.x, x)
        if form.y is not None and y is not None:
            self.set(1, form.y, y)
        self.faults[:] = 0
        machine.run(self.code, self.cost, self.ints, self.floats, self.faults, 0)
        counted = frozenset(np.flatnonzero(self.faults[0]).tolist())
        if form.kind.is_float:
            return float(self.floats[2]), counted
        return value_of_cell(int(self.ints[2]), form.kind), counted

    def jumps(self, form: Form, x: float, y: float) -> bool:
        """Whether the jump is taken."""
        self.code[0] = (form.op, form.kind.index, 0, 0, 1, 3)
        self.set(0, form.x, x)
        self.set(1, form.x, y)
        return bool(machine.run(self.code, self.cost, self.ints, self.floats, self.faults, 0)[0] == 3)


def cell(value: int) -> int:
    """Content of an int64 cell."""
    return (value + (1 << 63)) % (1 << 64) - (1 << 63)


def value_of_cell(content: int, kind: Kind) -> int:
    return content % (1 << 64) if kind is MACHINE_KINDS[8] else content


def numbers(kind: Kind) -> st.SearchStrategy[Any]:
    """Values of a kind, those at its ends and near 0 more often."""
    if kind.is_float:
        width = kind.bits
        return st.one_of(
            st.floats(width=width, allow_nan=False),  # type: ignore[arg-type]
            st.sampled_from([0.0, -0.0, 1.0, -1.0, math.inf, -math.inf]),
            st.integers(-300, 300).map(lambda n: float(np.float32(n / 4))),
        )
    near = [v for c in (kind.low, 0, kind.high) for v in range(c - 2, c + 3) if kind.low <= v <= kind.high]
    return st.one_of(st.integers(kind.low, kind.high), st.sampled_from(near))


@st.composite
def ranges(draw: st.DrawFn, kind: Kind) -> tuple[Range, list[float]]:
    """A range of a kind and some values in it, its ends among them."""
    values = sorted(draw(st.lists(numbers(kind), min_size=1, max_size=5)))
    if not kind.is_float:
        return Whole(values[0], values[-1]), values
    has_nan = draw(st.booleans())
    return Real(values[0], values[-1], has_nan), values + [math.nan] * has_nan
