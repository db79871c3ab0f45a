"""Operations on ranges against the machine: every result lies inside, and for integers no range is wider than
the results."""

import math
from functools import reduce
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controllers import opcodes
from controllers.bounds.bits import range_of_and, range_of_or, range_of_xor
from controllers.bounds.intervals import (
    Real,
    Whole,
    contains,
    exactly,
    holds,
    join,
    meet,
    nonzero_parts,
    whole_range,
)
from controllers.bounds.refine import refined
from controllers.bounds.rules import ACCESSES, JUMPS, RULES, Known, apply
from controllers.faults import CONVERSION, OVERFLOW, ZERO_DIVISION
from controllers.kinds import F32, F64, I8, I32, U8, U16, U64, Kind
from tests.controllers.bounds.operations import FORMS, JUMP_FORMS, Form, Rig, cell, ranges

RIG = Rig()


def test_every_opcode_has_its_form_in_these_tests() -> None:
    tested = {form.op for form in (*FORMS, *JUMP_FORMS)}
    assert tested | set(ACCESSES) == {opcode.number for opcode in opcodes.OPCODES}


@settings(max_examples=500, deadline=None)
@given(st.data())
def test_result_of_the_machine_lies_in_the_range_and_its_faults_are_foreseen(data: Any) -> None:
    form = data.draw(st.sampled_from(FORMS))
    x, xs = data.draw(ranges(form.x))
    y, ys = data.draw(ranges(form.y)) if form.y else (None, [None])
    outcome = apply(RULES[form.op], form.kind, form.b, form.extra, x, y)
    for a, b in product(xs, ys):
        result, counted = RIG.run(form, a, b)
        assert contains(outcome.stored, result), (str(form), a, b, result, outcome)
        assert counted <= outcome.faults, (str(form), a, b, counted, outcome)


def corners(kind: Kind) -> list[Whole]:
    """Narrow ranges where the arithmetic of a kind goes wrong first, and the whole kind."""
    places = {kind.low, 0, kind.high} | ({-1} if kind.signed else {kind.high // 2})
    narrow = [Whole(p - 2, p + 2) for p in places] + [Whole(p, p) for p in places] + [Whole(3, 9)]
    return [found for part in narrow if isinstance(found := meet(part, whole_range(kind)), Whole)]


# a remainder of a range, and a wrapped range that is cut in two, have gaps that one range covers
WITH_GAPS = (
    opcodes.MOD, opcodes.WIDE_MOD, opcodes.WRAP_ADD, opcodes.WRAP_SUB, opcodes.WRAP_CONVERT,
)  # fmt: skip
INTEGER_FORMS = [f for f in FORMS if not f.x.is_float and not f.kind.is_float and f.op not in WITH_GAPS]


@pytest.mark.parametrize(
    "op", sorted({form.op for form in INTEGER_FORMS}), ids=lambda n: opcodes.OPCODES[n].name
)
def test_integer_range_is_no_wider_than_the_results(op: int) -> None:
    """Operands at the ends of their kinds, every pair: a doubt is one that the machine confirms, and where
    there is no doubt the ends are reached."""
    for form in (form for form in INTEGER_FORMS if form.op == op):
        others = corners(form.y) if form.y else [None]
        for x, y in product(corners(form.x)[:5], others[:5]):
            check_exact(form, x, y)


def check_exact(form: Form, x: Whole, y: Whole | None) -> None:
    outcome = apply(RULES[form.op], form.kind, form.b, form.extra, x, y)
    seconds = range(y.low, y.high + 1) if y else [None]
    results = [RIG.run(form, a, b) for a in range(x.low, x.high + 1) for b in seconds]
    assert outcome.faults == frozenset().union(*(counted for _, counted in results)), (str(form), x, y)
    if not outcome.faults & {OVERFLOW, CONVERSION}:
        found = [value for value, _ in results]
        assert outcome.stored == Whole(int(min(found)), int(max(found))), (str(form), x, y)


@settings(max_examples=500, deadline=None)
@given(st.data())
def test_comparison_leaves_exactly_the_values_that_can_come_there(data: Any) -> None:
    form = data.draw(st.sampled_from(JUMP_FORMS))
    x, xs = data.draw(ranges(form.x))
    y, ys = data.draw(ranges(form.x))
    relation, jumps_if_true = JUMPS[form.op]
    left = {flag: refined(relation, flag, form.kind, x, y) for flag in (True, False)}
    for a, b in product(xs, ys):
        pair = left[RIG.jumps(form, a, b) == jumps_if_true]
        assert pair is not None, (str(form), a, b)
        assert contains(pair.x, a), (str(form), a, b, pair)
        assert contains(pair.y, b), (str(form), a, b, pair)


@pytest.mark.parametrize("relation", ["<", "<=", "=="])
@pytest.mark.parametrize("is_true", [True, False])
def test_comparison_of_integers_is_refined_to_the_ends(relation: str, is_true: bool) -> None:
    """All pairs of ranges within 0..4: each end left is one that some pair of values has."""
    holds_for = {"<": lambda a, b: a < b, "<=": lambda a, b: a <= b, "==": lambda a, b: a == b}[relation]
    some = [Whole(low, high) for low in range(5) for high in range(low, 5)]
    for x, y in product(some, some):
        pairs = [(a, b) for a in range(x[0], x[1] + 1) for b in range(y[0], y[1] + 1)
                 if holds_for(a, b) == is_true]  # fmt: skip
        found = refined(relation, is_true, U8, x, y)
        if not pairs:
            assert found is None
            continue
        firsts, seconds = [a for a, _ in pairs], [b for _, b in pairs]
        assert found == (Whole(min(firsts), max(firsts)), Whole(min(seconds), max(seconds)))


@pytest.mark.parametrize(
    ("found", "python"),
    [(range_of_and, int.__and__), (range_of_or, int.__or__), (range_of_xor, int.__xor__)],
)
@pytest.mark.parametrize("signed", [True, False])
def test_bitwise_ranges_are_exact_for_all_ranges_of_three_bits(found: Any, python: Any, signed: bool) -> None:
    kind = Kind("three", 3, signed, False, 0)
    some = [Whole(low, high) for low in range(kind.low, kind.high + 1) for high in range(low, kind.high + 1)]
    for x, y in product(some, some):
        results = [python(a, b) for a in range(x[0], x[1] + 1) for b in range(y[0], y[1] + 1)]
        assert found(x, y, kind) == Whole(min(results), max(results)), (x, y)


# (op, kind, x, y, stored range)
FLOAT_CORNERS = [
    (opcodes.F_ADD, F64, Real(1, 2), Real(3, 4), Real(4, 6)),
    (opcodes.F_ADD, F64, Real(0, math.inf), Real(-math.inf, 0), Real(-math.inf, math.inf, True)),
    (opcodes.F_SUB, F64, Real(1, 2), Real(-1, 1), Real(0, 3)),
    (opcodes.F_MUL, F64, Real(-2, 3), Real(-5, 1), Real(-15, 10)),
    (opcodes.F_MUL, F64, Real(-5, 5), Real(math.inf, math.inf), Real(-math.inf, math.inf, True)),
    (opcodes.F_DIV, F64, Real(1, 2), Real(4, 8), Real(0.125, 0.5)),
    (opcodes.F_DIV, F64, Real(0, 2), Real(0, 8), Real(-math.inf, math.inf, True)),
    (opcodes.F_ADD, F32, Real(1, 1), Real(2.0**-30, 2.0**-30), Real(1, 1)),
    (opcodes.F_MUL, F32, Real(1e38, 1e38), Real(2, 10), Real(1.9999999360571385e38, math.inf)),
]


@pytest.mark.parametrize(("op", "kind", "x", "y", "stored"), FLOAT_CORNERS)
def test_float_range_at_corners(op: int, kind: Kind, x: Real, y: Real, stored: Real) -> None:
    assert apply(RULES[op], kind, 1, 0, x, y).stored == stored


def test_divisor_known_not_to_be_zero_is_no_doubt() -> None:
    rule, x, y = RULES[opcodes.DIV], Whole(10, 20), Whole(-2, 5)
    assert apply(rule, I32, 1, 0, x, y).faults == {ZERO_DIVISION}
    known = apply(rule, I32, 1, 0, x, y, Known(is_nonzero=True))
    assert (known.faults, known.stored) == (frozenset(), Whole(-20, 20))


def test_difference_that_is_known_better_than_the_operands_counts() -> None:
    rule, x, y = RULES[opcodes.SUB], Whole(0, 9), Whole(0, 9)
    assert apply(rule, U8, 1, 0, x, y).faults == {OVERFLOW}
    known = apply(rule, U8, 1, 0, x, y, Known(difference=Whole(0, 9)))
    assert (known.faults, known.stored) == (frozenset(), Whole(0, 9))


def test_wrap_keeps_a_range_that_lies_between_two_multiples_of_the_size() -> None:
    rule = RULES[opcodes.WRAP_SUB]
    assert apply(rule, U16, 1, 0, Whole(0, 5), Whole(10, 12)).stored == Whole(65524, 65531)
    assert apply(rule, U16, 1, 0, Whole(0, 11), Whole(10, 12)).stored == Whole(0, 65535)
    assert apply(RULES[opcodes.ADD], I8, 1, 0, Whole(120, 127), Whole(8, 8)).stored == Whole(-128, -121)


def test_a_cell_of_64_bits_is_read_by_its_kind() -> None:
    assert exactly(cell((1 << 64) - 1), U64) == Whole((1 << 64) - 1, (1 << 64) - 1)
    assert exactly(-1, I32) == Whole(-1, -1)


@given(st.data())
def test_ranges_join_and_meet_as_sets(data: Any) -> None:
    kind = data.draw(st.sampled_from([U8, F32]))
    (x, xs), (y, ys) = data.draw(ranges(kind)), data.draw(ranges(kind))
    both, common = join(x, y), meet(x, y)
    assert holds(both, x)
    assert holds(both, y)
    for value in (*xs, *ys):
        assert contains(both, value)
        inside = contains(x, value) and contains(y, value)
        assert inside == (common is not None and contains(common, value))


@pytest.mark.parametrize("kind", [I8, F32, F64])
def test_range_without_zero_keeps_everything_else(kind: Kind) -> None:
    x = Real(-3.0, 2.0) if kind.is_float else Whole(-3, 2)
    parts = nonzero_parts(x, kind)
    assert not any(contains(part, 0) for part in parts)
    assert reduce(join, parts) == x
    nearest = {F32: 2.0**-149, F64: 5e-324}.get(kind, 1)  # the smallest subnormal numbers (IEEE 754)
    assert (parts[0].high, parts[1].low) == (-nearest, nearest)
