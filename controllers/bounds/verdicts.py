"""Proof or doubt, line by line: what can go wrong in a law."""

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from controllers import opcodes
from controllers.bounds.intervals import Whole, holds
from controllers.bounds.listing import Listing, Row
from controllers.bounds.ranges import OUTPUT, Event
from controllers.bounds.rules import LOADS, RULES, STORES, apply
from controllers.bounds.values import Value, kind_name, value_of, wider
from controllers.faults import FAULT_NAMES, INDEX
from controllers.ports import OUT_PORTS
from controllers.program import Program

CHECKS: Final = (*FAULT_NAMES, "output out of range")

_CONVERTS: Final = "convert to"
_SIGNS: Final = {
    opcodes.ADD: "+", opcodes.SUB: "-", opcodes.MUL: "*", opcodes.DIV: "/", opcodes.MOD: "%",
    opcodes.NEG: "negate", opcodes.SHL: "<<", opcodes.MUL_SHIFT: "*", opcodes.DIV_SHIFT: "/",
    opcodes.CONVERT: _CONVERTS, opcodes.F_ADD: "+", opcodes.F_SUB: "-", opcodes.F_MUL: "*",
    opcodes.F_DIV: "/", opcodes.F_CONVERT: _CONVERTS, opcodes.FLOAT_TO_INT: _CONVERTS,
    opcodes.WIDE_ADD: "+", opcodes.WIDE_SUB: "-", opcodes.WIDE_MUL: "*", opcodes.WIDE_DIV: "/",
    opcodes.WIDE_MOD: "%", opcodes.WIDE_NEG: "negate", opcodes.WIDE_SHL: "<<",
    opcodes.WIDE_CONVERT: _CONVERTS,
}  # fmt: skip


@dataclass(frozen=True)
class Verdict:
    """Whether one thing can go wrong in one operation of a source line, in any run.

    check: one of `CHECKS`. proved: it cannot happen. operands: what goes in; result: what would come out if
    every width sufficed. handlers: those whose code contains the line.
    """

    line: int
    place: str
    source: str
    handlers: tuple[str, ...]
    operation: str
    check: str
    proved: bool
    operands: tuple[Value, ...]
    result: Value


def describe(verdict: Verdict) -> str:
    """One line: place, what is excluded or possible, the operation with its ranges, the source."""
    outcome = "excluded" if verdict.proved else "POSSIBLE"
    values = [_operand(value) for value in verdict.operands]
    parts = [verdict.operation, *values] if len(values) == 1 else [values[0], verdict.operation, *values[1:]]
    result = f" = {_ends(verdict.result)}" if len(values) == 2 else ""
    return f"{verdict.place}: {verdict.check} {outcome}: {' '.join(parts)}{result}  | {verdict.source}"


def _operand(value: Value) -> str:
    if value.name:
        return f"({value.name} {_ends(value)})"
    return _ends(value) if value.low == value.high else f"({_ends(value)})"


def _ends(value: Value) -> str:
    ends = f"{value.low:.10g}" if value.low == value.high else f"{value.low:.10g}..{value.high:.10g}"
    return f"{ends} or NaN" if value.may_be_nan else ends


def _checks(row: Row) -> tuple[int, ...]:
    """What can go wrong in an instruction."""
    if row.op in RULES:
        return RULES[row.op].checks
    if row.op in (*LOADS, *STORES):
        return (INDEX,)
    return (OUTPUT,) if row.op == opcodes.OUT else ()


def list_verdicts(listing: Listing, events: Mapping[int, Event]) -> list[Verdict]:
    """Every check of every instruction in `events` that could fail in its kind, by line."""
    return _merged(_verdicts(listing, events))


def _verdicts(listing: Listing, events: Mapping[int, Event]) -> Iterator[Verdict]:
    for pc, event in sorted(events.items()):
        row = listing.rows[pc]
        for check in _checks(row):
            if _can_fail(listing, row, check, event):
                yield _verdict(listing, pc, event, check)


def _can_fail(listing: Listing, row: Row, check: int, event: Event) -> bool:
    """Whether some values of the operands' kinds would fail: else there is nothing to prove."""
    operands = [listing.at_entry[slot] for slot, _, _ in event.operands]
    if row.op in RULES:
        x, y = operands[0], operands[1] if len(operands) > 1 else None
        return check in apply(RULES[row.op], row.kind, row.b, row.extra, x, y).faults
    legal = listing.outputs[row.extra] if check == OUTPUT else Whole(0, row.extra - 1)
    return not holds(legal, operands[0])


def _verdict(listing: Listing, pc: int, event: Event, check: int) -> Verdict:
    program, row, line = listing.program, listing.rows[pc], int(listing.program.lines[pc])
    fractions = program.slot_fraction_bits.tolist()
    operands = tuple(value_of(name, found, fractions[slot]) for slot, name, found in event.operands)
    result_slot = row.dst if opcodes.OPCODES[row.op].writes else event.operands[0][0]
    return Verdict(
        line=line,
        place=program.place(line),
        source=program.source[line - 1].strip(),
        handlers=(_handler_of(program, pc),),
        operation=_operation(listing, row),
        check=CHECKS[check],
        proved=check not in event.faults,
        operands=operands,
        result=value_of("", event.exact, fractions[result_slot]),
    )


def _handler_of(program: Program, pc: int) -> str:
    """The compiler lays out one handler after the other."""
    return max((entry, name) for name, entry in program.handlers.items() if entry <= pc)[1]


def _operation(listing: Listing, row: Row) -> str:
    if row.op == opcodes.OUT:
        return OUT_PORTS[row.extra].name
    if row.op in (*LOADS, *STORES):
        return "index"
    sign = _SIGNS[row.op]
    return f"{sign} {kind_name(listing, row.dst)}" if sign == _CONVERTS else sign


def _merged(verdicts: Iterable[Verdict]) -> list[Verdict]:
    """One verdict for what a line does in several places (inlined helpers, unrolled loops)."""
    merged: dict[tuple[Any, ...], Verdict] = {}
    for verdict in verdicts:
        names = tuple(value.name for value in verdict.operands)
        key = (verdict.line, verdict.operation, verdict.check, names)
        merged[key] = _both(merged[key], verdict) if key in merged else verdict
    return sorted(merged.values(), key=lambda verdict: verdict.line)


def _both(a: Verdict, b: Verdict) -> Verdict:
    operands = tuple(wider(x, y) for x, y in zip(a.operands, b.operands, strict=True))
    return dataclasses.replace(
        a,
        handlers=tuple(dict.fromkeys((*a.handlers, *b.handlers))),
        proved=a.proved and b.proved,
        operands=operands,
        result=wider(a.result, b.result),
    )


def _check_signs() -> None:
    checked = [op for op, rule in RULES.items() if rule.checks]
    if sorted(checked) != sorted(_SIGNS):
        raise AssertionError("every operation that can count a fault has a name in verdicts")


_check_signs()
