"""What each operation does to ranges: one table, checked against the instruction set when loaded.

A rule is an operation in unbounded numbers, and how its result is brought into the kind. Jumps have a
relation that holds on one of their two ways. The remaining opcodes are listed in `ACCESSES`; `ranges` walks
them itself.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from typing import Any, Final, NamedTuple

from controllers import opcodes
from controllers.bounds import bits, reals, wholes
from controllers.bounds.intervals import (
    ANY_REAL,
    ONLY_NAN,
    Range,
    Real,
    Whole,
    contains,
    holds,
    join,
    meet,
    nonzero_parts,
    whole_range,
)
from controllers.faults import CONVERSION, OVERFLOW, ZERO_DIVISION
from controllers.kinds import Kind

Exact = Callable[[Kind, int, int, Any, Any], Range]


class Outcome(NamedTuple):
    """Result of an operation on ranges: in unbounded numbers, as stored, and the faults that are possible."""

    exact: Range
    stored: Range
    faults: frozenset[int]


@dataclass(frozen=True)
class Rule:
    """`exact(kind, b, extra, x, y)`: the operation. `fit`: brings the result into the kind; where that
    changes a value, `fault` is counted. `divides`: y = 0 is counted and has a result of its own."""

    exact: Exact
    fit: Callable[[Kind, Range], Range]
    fault: int | None = None
    divides: bool = False

    @property
    def checks(self) -> tuple[int, ...]:
        """The faults this operation can count."""
        return (() if self.fault is None else (self.fault,)) + ((ZERO_DIVISION,) if self.divides else ())


def _wrap(kind: Kind, exact: Range) -> Range:
    """Low bits; all of the kind where the range crosses a multiple of its size."""
    assert isinstance(exact, Whole)
    turns = (exact.low - kind.low) >> kind.bits
    if turns != (exact.high - kind.low) >> kind.bits:
        return whole_range(kind)
    return Whole(exact.low - (turns << kind.bits), exact.high - (turns << kind.bits))


def _saturate(kind: Kind, exact: Range) -> Range:
    """Held within the kind."""
    assert isinstance(exact, Whole)
    low, high = (min(max(end, kind.low), kind.high) for end in exact)
    return Whole(low, high)


def _round(kind: Kind, exact: Range) -> Range:
    """Rounded to the kind."""
    assert isinstance(exact, Real)
    return reals.rounded(kind, exact)


def _bitwise(operation: Callable[[Whole, Whole, Kind], Whole]) -> Exact:
    return lambda kind, _b, _extra, x, y: operation(x, y, kind)


def _same(kind: Kind, b: int, extra: int, x: Range, y: Any) -> Range:
    del kind, b, extra, y
    return x


def _counted(exact: Exact, divides: bool = False) -> Rule:
    return Rule(exact, _wrap, OVERFLOW, divides)


def _real(exact: Exact, fault: int | None = OVERFLOW, divides: bool = False) -> Rule:
    return Rule(exact, _round, fault, divides)


_COPY: Final = Rule(_same, lambda _kind, exact: exact)

RULES: Final[dict[int, Rule]] = {
    opcodes.MOVE: _COPY,
    opcodes.ADD: _counted(wholes.add),
    opcodes.SUB: _counted(wholes.subtract),
    opcodes.MUL: _counted(wholes.multiply),
    opcodes.DIV: _counted(wholes.divide, divides=True),
    opcodes.MOD: Rule(wholes.remainder, _wrap, None, divides=True),
    opcodes.AND: Rule(_bitwise(bits.range_of_and), _wrap),
    opcodes.OR: Rule(_bitwise(bits.range_of_or), _wrap),
    opcodes.XOR: Rule(_bitwise(bits.range_of_xor), _wrap),
    opcodes.NEG: _counted(wholes.negate),
    opcodes.SHL: _counted(wholes.shift_left),
    opcodes.SHR: Rule(wholes.shift_right, _wrap),
    opcodes.WRAP_ADD: Rule(wholes.add, _wrap),
    opcodes.WRAP_SUB: Rule(wholes.subtract, _wrap),
    opcodes.MUL_SHIFT: _counted(wholes.multiply_shift),
    opcodes.DIV_SHIFT: _counted(wholes.divide_shift, divides=True),
    opcodes.CONVERT: Rule(wholes.rescale, _wrap, CONVERSION),
    opcodes.F_MOVE: _COPY,
    opcodes.F_ADD: _real(reals.add),
    opcodes.F_SUB: _real(reals.subtract),
    opcodes.F_MUL: _real(reals.multiply),
    opcodes.F_DIV: _real(reals.divide, divides=True),
    opcodes.F_NEG: Rule(reals.negate, lambda _kind, exact: exact),
    opcodes.F_CONVERT: _real(reals.convert),
    opcodes.INT_TO_FLOAT: _real(reals.from_whole, fault=None),
    opcodes.FLOAT_TO_INT: Rule(wholes.truncate, _saturate, CONVERSION),
    opcodes.SAT_ADD: Rule(wholes.add, _saturate),
    opcodes.SAT_SUB: Rule(wholes.subtract, _saturate),
    opcodes.SAT_MUL_SHIFT: Rule(wholes.multiply_shift, _saturate),
    opcodes.SAT_CONVERT: Rule(wholes.rescale, _saturate),
    opcodes.SAT_FROM_FLOAT: Rule(wholes.truncate, _saturate),
    opcodes.WRAP_CONVERT: Rule(_same, _wrap),
    opcodes.MUL_WIDE: Rule(wholes.multiply, _wrap),
    opcodes.WIDE_ADD: _counted(wholes.add),
    opcodes.WIDE_SUB: _counted(wholes.subtract),
    opcodes.WIDE_MUL: _counted(wholes.multiply),
    opcodes.WIDE_DIV: _counted(wholes.divide, divides=True),
    opcodes.WIDE_MOD: Rule(wholes.remainder, _wrap, None, divides=True),
    opcodes.WIDE_NEG: _counted(wholes.negate),
    opcodes.WIDE_SHL: _counted(wholes.shift_left),
    opcodes.WIDE_SHR: Rule(wholes.shift_right, _wrap),
    opcodes.WIDE_CONVERT: Rule(_same, _wrap, CONVERSION),
}

# relation of slots a and b, and whether the jump is taken where it holds
JUMPS: Final[dict[int, tuple[str, bool]]] = {
    opcodes.JUMP_LT: ("<", True), opcodes.JUMP_LE: ("<=", True), opcodes.JUMP_EQ: ("==", True),
    opcodes.JUMP_NOT_LT: ("<", False), opcodes.JUMP_NOT_LE: ("<=", False), opcodes.JUMP_NE: ("==", False),
    opcodes.F_JUMP_LT: ("<", True), opcodes.F_JUMP_LE: ("<=", True), opcodes.F_JUMP_EQ: ("==", True),
    opcodes.F_JUMP_NOT_LT: ("<", False), opcodes.F_JUMP_NOT_LE: ("<=", False),
    opcodes.F_JUMP_NE: ("==", False), opcodes.WIDE_JUMP_LT: ("<", True), opcodes.WIDE_JUMP_LE: ("<=", True),
}  # fmt: skip

LOADS: Final = (opcodes.LOAD_AT, opcodes.F_LOAD_AT)
STORES: Final = (opcodes.STORE_AT, opcodes.F_STORE_AT)
ACCESSES: Final = (*LOADS, *STORES, opcodes.RET, opcodes.JUMP, opcodes.IN, opcodes.OUT)


def _check_table() -> None:
    covered = [*RULES, *JUMPS, *ACCESSES]
    if sorted(covered) != [opcode.number for opcode in opcodes.OPCODES]:
        raise AssertionError("every opcode has one rule, one relation, or is an access")


_check_table()


class Known(NamedTuple):
    """What is known beyond the ranges of the operands: an enclosure of x - y, and that y is not 0."""

    difference: Range | None = None
    is_nonzero: bool = False


NOTHING: Final = Known()


def apply(rule: Rule, kind: Kind, b: int, extra: int, x: Range, y: Any, known: Known = NOTHING) -> Outcome:
    """Result of an operation on ranges; y is None where there is one operand."""
    if rule.divides:
        return _divide(rule, kind, b, extra, x, y, known.is_nonzero)
    exact = rule.exact(kind, b, extra, x, y)
    if known.difference is not None and rule.exact is wholes.subtract:
        exact = meet(exact, known.difference) or exact
    return _fit(rule, kind, exact, of_nan=isinstance(x, Real) and x.nan)


def _fit(rule: Rule, kind: Kind, exact: Range, of_nan: bool = False) -> Outcome:
    """Bring a result into the kind; `of_nan`: an operand may be NaN."""
    if isinstance(exact, Real):
        stored = rule.fit(kind, exact)
        has_overflown = math.inf in (-stored.low, stored.high) and stored != ONLY_NAN
        return Outcome(exact, stored, _flags(rule.fault, has_overflown))
    if of_nan:  # a float without a value becomes 0
        exact_or_none = exact if exact.low <= exact.high else None
        stored = Whole(0, 0) if exact_or_none is None else join(rule.fit(kind, exact), Whole(0, 0))
        return Outcome(Whole(0, 0) if exact_or_none is None else exact, stored, _flags(rule.fault, True))
    return Outcome(exact, rule.fit(kind, exact), _flags(rule.fault, not holds(whole_range(kind), exact)))


def _flags(fault: int | None, is_possible: bool) -> frozenset[int]:
    return frozenset({fault}) if fault is not None and is_possible else frozenset()


def _divide(rule: Rule, kind: Kind, b: int, extra: int, x: Range, y: Range, is_nonzero: bool) -> Outcome:
    """Each sign of the divisor by itself, and what a divisor of 0 gives: 0, or an infinity or NaN."""
    parts = [_fit(rule, kind, rule.exact(kind, b, extra, x, part)) for part in nonzero_parts(y, kind)]
    if contains(y, 0) and not (is_nonzero and parts):
        by_zero: Range = ANY_REAL if isinstance(y, Real) else Whole(0, 0)
        parts.append(Outcome(by_zero, by_zero, frozenset({ZERO_DIVISION})))
    return reduce(
        lambda p, q: Outcome(join(p.exact, q.exact), join(p.stored, q.stored), p.faults | q.faults), parts
    )
