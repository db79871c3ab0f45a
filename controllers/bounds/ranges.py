"""One pass over one handler: what every value can be. Jumps go forward, so in the order of the instructions
everything that leads to a place is known before it.

A variable that a handler of a higher level writes can change between any two instructions, unless interrupts
are masked: each reading of it is then what this handler knows or anything the other handler ever writes.
A value is taken as a whole: what a torn access would see is not in these ranges; `sharing` reports it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import count
from typing import Final, NamedTuple

from controllers import opcodes
from controllers.bounds import wholes
from controllers.bounds.intervals import Range, Real, Whole, holds, join, meet, whole_range
from controllers.bounds.listing import Listing, Row
from controllers.bounds.refine import refined
from controllers.bounds.rules import JUMPS, LOADS, RULES, STORES, Known, Outcome, apply
from controllers.bounds.state import State, joined
from controllers.faults import FAULT_NAMES, INDEX
from controllers.ports import OUT_MASK

OUTPUT: Final = len(FAULT_NAMES)  # what the machine does not count: a value that its port does not take

_VALUE_KEPT: Final = (
    opcodes.MOVE, opcodes.F_MOVE, opcodes.CONVERT, opcodes.WIDE_CONVERT, opcodes.WRAP_CONVERT,
    opcodes.SAT_CONVERT,
)  # fmt: skip
_EXACTLY_1: Final = Whole(1, 1)


class Event(NamedTuple):
    """What an instruction does with ranges. `operands`: (slot it was read from, name, range); `exact`: the
    result if the width sufficed; `faults`: those that are possible, with OUTPUT."""

    operands: tuple[tuple[int, str, Range], ...]
    exact: Range
    faults: frozenset[int]


@dataclass
class Pass:
    """Result of one pass. `after`: static slot -> range when the handler returns; empty if it never does.
    `written`: slot -> every value it is given. `events`: pc -> what happens there, reachable ones only."""

    after: dict[int, Range] = field(default_factory=dict)
    written: dict[int, Range] = field(default_factory=dict)
    events: dict[int, Event] = field(default_factory=dict)


def walk(listing: Listing, handler: str, before: Mapping[int, Range], changing: Mapping[int, Range]) -> Pass:
    """Pass over `handler`. `before`: static slot -> range at entry; `changing`: slot -> what other handlers
    can make of it while this one runs."""
    walker = _Walker(listing, changing)
    walker.pending[listing.program.handlers[handler]] = _entry_state(listing, before)
    while walker.pending:
        pc = min(walker.pending)
        walker.step(pc, walker.pending.pop(pc))
    return walker.result


def _entry_state(listing: Listing, before: Mapping[int, Range]) -> State:
    ranges = {slot: before.get(slot, found) for slot, found in enumerate(listing.at_entry)}
    return State(list(ranges), ranges, count(len(ranges)).__next__)


@dataclass
class _Walker:
    listing: Listing
    changing: Mapping[int, Range]
    pending: dict[int, State] = field(default_factory=dict)
    result: Pass = field(default_factory=Pass)

    def step(self, pc: int, state: State) -> None:
        """Execute one instruction on ranges, and hand the state on."""
        row = self.listing.rows[pc]
        if row.op == opcodes.RET:
            self._leave(state)
        elif row.op == opcodes.JUMP:
            self._go(row.extra, state)
        elif row.op in JUMPS:
            self._branch(pc, row, state)
        else:
            self._act(pc, row, state)
            self._go(pc + 1, state)

    def _go(self, pc: int, state: State) -> None:
        waiting = self.pending.get(pc)
        self.pending[pc] = state if waiting is None else joined(waiting, state)

    def _leave(self, state: State) -> None:
        for slot in self.listing.statics:
            found = self._seen(state, slot)
            known = self.result.after.get(slot)
            self.result.after[slot] = found if known is None else join(known, found)

    def _seen(self, state: State, slot: int) -> Range:
        """What a reading of `slot` can give now."""
        found = state.range_of(slot)
        other = self.changing.get(slot)
        return found if other is None or state.masked_at is not None else join(found, other)

    def _read(self, state: State, slot: int) -> int:
        """Value number of a reading of `slot`."""
        if slot in self.changing and state.masked_at is None:
            return state.assign(slot, self._seen(state, slot))
        return state.numbers[slot]

    def _note_write(self, slot: int, found: Range) -> None:
        known = self.result.written.get(slot)
        self.result.written[slot] = found if known is None else join(known, found)

    def _event(
        self, pc: int, state: State, slots: tuple[int, ...], exact: Range, faults: frozenset[int]
    ) -> None:
        operands = tuple((slot, self._name(state, slot), state.range_of(slot)) for slot in slots)
        self.result.events[pc] = Event(operands, exact, faults)

    def _name(self, state: State, slot: int) -> str:
        """Name of a slot, or of a variable that holds the same value."""
        names = self.listing.program.slot_names
        if names[slot]:
            return names[slot]
        number = state.numbers[slot]
        return next((n for n, held in zip(names, state.numbers, strict=True) if n and held == number), "")

    def _act(self, pc: int, row: Row, state: State) -> None:
        if row.op in RULES:
            self._compute(pc, row, state)
        elif row.op in LOADS:
            self._load(pc, row, state)
        elif row.op in STORES:
            self._store(pc, row, state)
        elif row.op == opcodes.IN:
            found = self.listing.inputs[row.extra]
            state.assign(row.dst, found)
            self._note_write(row.dst, found)
            self._event(pc, state, (), found, frozenset())
        else:
            self._write_port(pc, row, state)

    def _write_port(self, pc: int, row: Row, state: State) -> None:
        self._read(state, row.a)
        found = state.range_of(row.a)
        is_legal = holds(self.listing.outputs[row.extra], found)
        self._event(pc, state, (row.a,), found, frozenset() if is_legal else frozenset({OUTPUT}))
        if row.extra == OUT_MASK:
            for slot in self.changing:
                state.assign(slot, self._seen(state, slot))
            state.masked_at = pc if found == _EXACTLY_1 else None

    def _compute(self, pc: int, row: Row, state: State) -> None:
        slots = (row.a, row.b) if opcodes.OPCODES[row.op].arity == 2 else (row.a,)
        numbers = [self._read(state, slot) for slot in slots]
        outcome = _outcome(row, state, numbers)
        self._event(pc, state, slots, outcome.exact, outcome.faults)
        self._note_write(row.dst, outcome.stored)
        is_kept = outcome.exact == outcome.stored
        if row.op in _VALUE_KEPT and is_kept and outcome.exact == state.ranges[numbers[0]]:
            state.numbers[row.dst] = numbers[0]
            return
        number = state.assign(row.dst, outcome.stored)
        if is_kept and isinstance(outcome.exact, Whole) and holds(whole_range(row.kind), outcome.exact):
            _relate(row, state, numbers, number)

    def _load(self, pc: int, row: Row, state: State) -> None:
        index = state.ranges[self._read(state, row.a)]
        inside, faults = _elements(index, row.extra)
        found = state.ranges[self._read(state, row.b + inside[0])]
        for number in inside[1:]:
            found = join(found, state.ranges[self._read(state, row.b + number)])
        self._event(pc, state, (row.a,), index, faults)
        state.assign(row.dst, found)
        self._note_write(row.dst, found)

    def _store(self, pc: int, row: Row, state: State) -> None:
        """One element takes the value; where the index is not certain, any of them may."""
        value, index = self._read(state, row.a), state.ranges[self._read(state, row.b)]
        found = state.ranges[value]
        inside, faults = _elements(index, row.extra)
        self._event(pc, state, (row.b,), index, faults)
        for number in inside:
            slot = row.dst + number
            self._note_write(slot, found)
            if len(inside) == 1:
                state.numbers[slot] = value
            else:
                state.assign(slot, join(state.range_of(slot), found))

    def _branch(self, pc: int, row: Row, state: State) -> None:
        relation, jumps_if_true = JUMPS[row.op]
        numbers = self._read(state, row.a), self._read(state, row.b)
        self._event(pc, state, (row.a, row.b), state.ranges[numbers[0]], frozenset())
        for is_true in (True, False):
            branch = state.copy()
            if _assume(branch, row, relation, is_true, *numbers):
                self._go(row.extra if is_true == jumps_if_true else pc + 1, branch)


def _elements(index: Range, length: int) -> tuple[range, frozenset[int]]:
    """Elements that an index can name; the machine takes the last one for an index outside."""
    assert isinstance(index, Whole)
    inside = meet(index, Whole(0, length - 1))
    if inside is None:
        return range(length - 1, length), frozenset({INDEX})
    if inside == index:
        return range(int(inside.low), int(inside.high) + 1), frozenset()
    return range(int(inside.low), length), frozenset({INDEX})


def _outcome(row: Row, state: State, numbers: list[int]) -> Outcome:
    x = state.ranges[numbers[0]]
    if len(numbers) == 1:
        return apply(RULES[row.op], row.kind, row.b, row.extra, x, None)
    y = state.ranges[numbers[1]]
    difference = None if isinstance(x, Real) else state.difference(numbers[0], numbers[1])
    known = Known(difference, state.is_nonzero(numbers[1]))
    return apply(RULES[row.op], row.kind, row.b, row.extra, x, y, known)


def _relate(row: Row, state: State, numbers: list[int], result: int) -> None:
    """Note what a result that did not wrap has to do with its operands."""
    exact, x = RULES[row.op].exact, numbers[0]
    ends = [found for found in (state.ranges[number] for number in numbers) if isinstance(found, Whole)]
    if exact is wholes.add:
        for number, other in ((x, ends[1]), (numbers[1], ends[0])):
            state.relate(number, result, other.low)
            state.relate(result, number, -other.high)
    elif exact is wholes.subtract:
        state.relate(result, x, ends[1].low)
        state.relate(x, result, -ends[1].high)
    elif exact in (wholes.shift_right, wholes.divide) and ends[0].low >= 0 and ends[-1].low >= 0:
        state.relate(result, x, 0)


def _assume(state: State, row: Row, relation: str, is_true: bool, x: int, y: int) -> bool:
    """Note that `x relation y` is true, or false; False where that cannot be."""
    pair = refined(relation, is_true, row.kind, state.ranges[x], state.ranges[y])
    if pair is None or not (state.narrow(x, pair.x) and state.narrow(y, pair.y)):
        return False
    if relation == "==" and not is_true:
        for number, other in ((x, y), (y, x)):
            if state.ranges[other][:2] == (0, 0):
                state.exclude_zero(number)
        return True
    if isinstance(pair.x, Real):
        return True
    return _order(state, relation, is_true, x, y) and state.propagate((x, y))


def _order(state: State, relation: str, is_true: bool, x: int, y: int) -> bool:
    """Note the order of two integers; False where the contrary is known."""
    if relation == "==":
        orders = [(x, y, 0), (y, x, 0)]
    else:
        strict = int((relation == "<") == is_true)
        orders = [(x, y, strict) if is_true else (y, x, strict)]
    for low, high, least in orders:
        if state.difference(high, low).high < least:
            return False
        state.relate(low, high, least)
    return True
