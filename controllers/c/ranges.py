"""Which values an operand can have, as far as a handler's own instructions say.

The C needs no guard against a wrap, a zero divisor or an index that the ranges exclude. A static variable can
always hold anything of its kind, even after a comparison: another handler may interrupt and change it. Floats
have no range here.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

from controllers import opcodes
from controllers.c.flow import A, B, Row
from controllers.graph import successors
from controllers.kinds import MACHINE_KINDS, Kind
from controllers.program import SLOT_CONST, SLOT_TEMP, Program


class Range(NamedTuple):
    """Integers from `low` to `high`."""

    low: int
    high: int

    def within(self, kind: Kind) -> bool:
        """Whether all of them are values of a kind."""
        return kind.low <= self.low and self.high <= kind.high

    def holds(self, value: int) -> bool:
        """Whether `value` is one of them."""
        return self.low <= value <= self.high


@dataclass(frozen=True)
class State:
    """Ranges of the temporaries before an instruction, and which of them are copies: slot -> copied slot."""

    ranges: dict[int, Range]
    copies: dict[int, int]

    def without(self, slot: int) -> "State":
        """The state once a slot holds something else."""
        return State(
            {s: known for s, known in self.ranges.items() if s != slot},
            {s: source for s, source in self.copies.items() if slot not in (s, source)},
        )

    def same_as(self, slot: int) -> set[int]:
        """Slots with the same content."""
        source = self.copies.get(slot, slot)
        return {slot, source} | {s for s, other in self.copies.items() if other == source}

    def joined(self, other: "State") -> "State":
        """What holds in both."""
        ranges = {
            slot: Range(min(known.low, other.ranges[slot].low), max(known.high, other.ranges[slot].high))
            for slot, known in self.ranges.items()
            if slot in other.ranges
        }
        return State(ranges, dict(self.copies.items() & other.copies.items()))


def kind_range(kind: Kind) -> Range:
    """All values of an integer kind."""
    return Range(kind.low, kind.high)


def exact_range(op: int, a: Range, b: Range, extra: int, kind: Kind) -> Range | None:
    """Range of an operation in unbounded integers, None where nothing is known beyond the kind."""
    corner = _CORNERS.get(op)
    if corner is not None:
        values = [corner(x, y) for x in a for y in b]
        return Range(min(values), max(values))
    rule = _RULES.get(op)
    return rule(a, b, extra, kind) if rule else None


_CORNERS: Final[dict[int, Callable[[int, int], int]]] = {
    opcodes.ADD: lambda x, y: x + y,
    opcodes.SUB: lambda x, y: x - y,
    opcodes.MUL: lambda x, y: x * y,
    opcodes.WRAP_ADD: lambda x, y: x + y,
    opcodes.WRAP_SUB: lambda x, y: x - y,
    opcodes.WIDE_ADD: lambda x, y: x + y,
    opcodes.WIDE_SUB: lambda x, y: x - y,
    opcodes.WIDE_MUL: lambda x, y: x * y,
    opcodes.MUL_WIDE: lambda x, y: x * y,
    opcodes.NEG: lambda x, _: -x,
    opcodes.WIDE_NEG: lambda x, _: -x,
    opcodes.MOVE: lambda x, _: x,
    opcodes.WIDE_CONVERT: lambda x, _: x,
    opcodes.WRAP_CONVERT: lambda x, _: x,
}


def _quotient(a: Range, b: Range, extra: int, kind: Kind) -> Range | None:
    """Of a divisor known to be positive: toward zero, so no further from 0 than a / b.low."""
    del extra, kind
    if b.low < 1:
        return None
    return Range(min(0, -(-a.low // b.low)), max(0, a.high // b.low))


def _scaled(a: Range, b: Range, extra: int, kind: Kind) -> Range:
    """CONVERT: column b is a number of bits, not a slot; `b` holds it as a range."""
    del extra, kind
    bits = b.low
    return Range(*(v << bits if bits >= 0 else v >> -bits for v in a))


def _product(a: Range, b: Range, extra: int, kind: Kind) -> Range:
    del kind
    products = [x * y >> extra for x in a for y in b]
    return Range(min(products), max(products))


_RULES: Final[dict[int, Callable[[Range, Range, int, Kind], Range | None]]] = {
    opcodes.DIV: _quotient,
    opcodes.WIDE_DIV: _quotient,
    opcodes.SHR: lambda a, b, n, k: Range(a.low >> n, a.high >> n),  # noqa: ARG005 (one signature for all)
    opcodes.WIDE_SHR: lambda a, b, n, k: Range(a.low >> n, a.high >> n),  # noqa: ARG005
    opcodes.SHL: lambda a, b, n, k: Range(a.low << n, a.high << n),  # noqa: ARG005
    opcodes.WIDE_SHL: lambda a, b, n, k: Range(a.low << n, a.high << n),  # noqa: ARG005
    opcodes.AND: lambda a, b, n, k: Range(0, min(a.high, b.high)) if a.low >= 0 <= b.low else None,  # noqa: ARG005
    opcodes.MOD: lambda a, b, n, k: Range(0, b.high) if a.low >= 0 <= b.low else None,  # noqa: ARG005
    opcodes.CONVERT: _scaled,
    opcodes.MUL_SHIFT: _product,
}


class Ranges:
    """Ranges of the operands of every instruction of a handler: `of(row, column)`."""

    def __init__(self, program: Program, blocks: list[list[Row]]) -> None:
        self._program = program
        self._known: dict[tuple[int, int], Range] = {}
        arriving: dict[int, State] = {}
        for row in (row for block in blocks for row in block):
            self._step(row, arriving)

    def of(self, row: Row, column: int) -> Range | None:
        """Range of the operand in column A or B; None for a float."""
        return self._known.get((row.pc, column))

    def _step(self, row: Row, arriving: dict[int, State]) -> None:
        state = arriving.get(row.pc, State({}, {}))
        for column, slot in row.read_slots:
            found = self._slot_range(state, slot)
            if found is not None:
                self._known[row.pc, column] = found
        after = self._written(row, state)
        for target in successors(self._program, row.pc):
            is_jump = row.opcode.jumps and target == row.extra
            refined = self._refined(row, after, is_jump)
            known = arriving.get(target)
            arriving[target] = refined if known is None else known.joined(refined)

    def _slot_range(self, state: State, slot: int) -> Range | None:
        kind = MACHINE_KINDS[self._program.slot_kinds[slot]]
        if kind.is_float:
            return None
        if self._program.slot_class[slot] == SLOT_CONST:
            value = int(self._program.ints[slot])
            value += 1 << 64 if value < kind.low else 0  # u64 stands as the bit pattern of an int64
            return Range(value, value)
        return state.ranges.get(slot, kind_range(kind))

    def _is_temporary(self, slot: int) -> bool:
        return bool(self._program.slot_class[slot] == SLOT_TEMP)

    def _written(self, row: Row, state: State) -> State:
        """The state after an instruction has written its temporary."""
        if not row.opcode.writes or not self._is_temporary(row.dst):
            return state
        after = state.without(row.dst)
        kind, a, b = MACHINE_KINDS[row.kind], self.of(row, A), self.of(row, B)
        if a is None or kind.is_float:
            return after
        if row.opcode.number == opcodes.MOVE and self._is_temporary(row.a):
            after.copies[row.dst] = row.a
        if row.opcode.shape[2] == "count":
            b = Range(row.b, row.b)
        exact = exact_range(row.opcode.number, a, b if b is not None else Range(0, 0), row.extra, kind)
        if exact is not None and exact.within(kind):
            after.ranges[row.dst] = exact
        return after

    def _refined(self, row: Row, state: State, is_jump: bool) -> State:
        """What a comparison says of its operands, and of copies of them, on the way taken."""
        relation = _RELATIONS.get((row.opcode.number, is_jump))
        a, b = self.of(row, A), self.of(row, B)
        if relation is None or a is None or b is None:
            return state
        ranges = dict(state.ranges)
        for slot, bound in zip((row.a, row.b), relation(a, b), strict=True):
            if self._is_temporary(slot) and bound.low <= bound.high:
                ranges.update(dict.fromkeys(state.same_as(slot), bound))
        return State(ranges, state.copies)


def _less(a: Range, b: Range) -> tuple[Range, Range]:
    return Range(a.low, min(a.high, b.high - 1)), Range(max(b.low, a.low + 1), b.high)


def _at_most(a: Range, b: Range) -> tuple[Range, Range]:
    return Range(a.low, min(a.high, b.high)), Range(max(b.low, a.low), b.high)


def _more(a: Range, b: Range) -> tuple[Range, Range]:
    below, above = _less(b, a)
    return above, below


def _at_least(a: Range, b: Range) -> tuple[Range, Range]:
    below, above = _at_most(b, a)
    return above, below


def _equal(a: Range, b: Range) -> tuple[Range, Range]:
    both = Range(max(a.low, b.low), min(a.high, b.high))
    return both, both


def _differ(a: Range, b: Range) -> tuple[Range, Range]:
    """Only the ends of a range can be cut off."""
    return _without(a, b), _without(b, a)


def _without(a: Range, b: Range) -> Range:
    if b.low != b.high:
        return a
    return Range(a.low + (a.low == b.low), a.high - (a.high == b.low))


Relation = Callable[[Range, Range], tuple[Range, Range]]
_PAIRS: Final[dict[int, tuple[Relation, Relation]]] = {
    opcodes.JUMP_LT: (_less, _at_least),
    opcodes.JUMP_LE: (_at_most, _more),
    opcodes.JUMP_EQ: (_equal, _differ),
    opcodes.JUMP_NE: (_differ, _equal),
    opcodes.JUMP_NOT_LT: (_at_least, _less),
    opcodes.JUMP_NOT_LE: (_more, _at_most),
    opcodes.WIDE_JUMP_LT: (_less, _at_least),
    opcodes.WIDE_JUMP_LE: (_at_most, _more),
}
_RELATIONS: Final = {
    (op, jumps): pair[0 if jumps else 1] for op, pair in _PAIRS.items() for jumps in (True, False)
}
