"""Variables shared between handlers of different levels: accesses that an interrupt can fall into.

torn read, torn write: a variable wider than the machine word is read or written in several instructions, and
a handler that writes it (for a torn write: also one that reads it) can come in between.
lost update: a handler reads a variable, works out a new value from it and writes that back, and a handler
that writes it can come in between: what that one wrote is lost. This needs no wide variable.
An access inside `with hw.masked():` is safe; an update is, where the block holds the reading and the writing.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from controllers.bounds.listing import Listing, Row, list_program
from controllers.bounds.rules import LOADS, STORES
from controllers.bounds.values import kind_name
from controllers.graph import reachable, successors
from controllers.opcodes import OPCODES, OUT
from controllers.ports import OUT_MASK
from controllers.priorities import Priorities, can_interrupt
from controllers.program import Program

TORN_READ: Final = "torn read"
TORN_WRITE: Final = "torn write"
LOST_UPDATE: Final = "lost update"


@dataclass(frozen=True)
class SharedAccess:
    """One hazard of one variable between two handlers. lines: of `handler`, which is interrupted;
    other_lines: those of `other` that touch the variable (for a torn read and a lost update: write it).
    Places of both in words."""

    variable: str
    kind: str
    hazard: str
    handler: str
    lines: tuple[int, ...]
    places: tuple[str, ...]
    other: str
    other_lines: tuple[int, ...]
    other_places: tuple[str, ...]


class _Source(NamedTuple):
    """A reading of a slot that a value was made from; `masked_at`: pc that masked interrupts for it."""

    slot: int
    masked_at: int | None


@dataclass
class _Accesses:
    """Static slot -> lines. `reads`, `writes`: all; `open_...`: those where an interrupt can come in;
    `updates`: writings of what was made from an earlier reading, where one can come in between."""

    reads: dict[int, set[int]] = field(default_factory=dict)
    writes: dict[int, set[int]] = field(default_factory=dict)
    open_reads: dict[int, set[int]] = field(default_factory=dict)
    open_writes: dict[int, set[int]] = field(default_factory=dict)
    updates: dict[int, set[int]] = field(default_factory=dict)


_Origins = Mapping[int, frozenset[_Source]]  # slot -> readings its value was made from


class _Before(NamedTuple):
    """What is known before an instruction."""

    origins: _Origins
    masked_at: int | None


def torn_accesses(program: Program, word_bits: int, priorities: Priorities) -> tuple[SharedAccess, ...]:
    """Every access to a shared variable that an interrupt can tear, and every update that it can undo.

    Args:
        program: the law.
        word_bits: width that the processor reads and writes at once (`Target.memory.word_bits`).
        priorities: handler -> level, see `PRIORITIES`.
    """
    listing = list_program(program, {})
    accesses = {handler: _accesses(listing, handler) for handler in program.handlers}
    return tuple(
        found
        for handler in program.handlers
        for other in program.handlers
        if can_interrupt(other, handler, priorities)
        for found in _hazards(listing, word_bits, (handler, accesses[handler]), (other, accesses[other]))
    )


def _hazards(
    listing: Listing, word_bits: int, lower: tuple[str, _Accesses], upper: tuple[str, _Accesses]
) -> Iterator[SharedAccess]:
    """What `upper` can do to accesses of `lower`, by variable."""
    mine, theirs = lower[1], upper[1]
    touched = {slot: theirs.reads.get(slot, set()) | lines for slot, lines in theirs.writes.items()} | {
        slot: lines for slot, lines in theirs.reads.items() if slot not in theirs.writes
    }
    hazards = ((TORN_READ, mine.open_reads, theirs.writes), (TORN_WRITE, mine.open_writes, touched),
               (LOST_UPDATE, mine.updates, theirs.writes))  # fmt: skip
    for variable, slots in _variables(listing).items():
        is_wide = listing.slot_kinds[slots[0]].bits > word_bits
        for hazard, ours, others in hazards:
            shared = [slot for slot in slots if slot in ours and slot in others]
            if shared and (is_wide or hazard == LOST_UPDATE):
                yield SharedAccess(
                    variable, kind_name(listing, slots[0]), hazard,
                    lower[0], *_lines(listing, ours, shared), upper[0], *_lines(listing, others, shared),
                )  # fmt: skip


def _variables(listing: Listing) -> dict[str, list[int]]:
    """Static variable or array -> its slots."""
    variables: dict[str, list[int]] = {}
    for slot in listing.statics:
        variables.setdefault(listing.program.slot_names[slot].partition("[")[0], []).append(slot)
    return variables


def _lines(
    listing: Listing, accesses: Mapping[int, set[int]], slots: list[int]
) -> tuple[tuple[int, ...], tuple[str, ...]]:
    lines = tuple(sorted(set().union(*(accesses[slot] for slot in slots))))
    return lines, tuple(listing.program.place(line) for line in lines)


def _accesses(listing: Listing, handler: str) -> _Accesses:
    """One pass over a handler: what it reads and writes where, and what the values were made from."""
    program = listing.program
    entry = program.handlers[handler]
    waiting = {entry: _Before({}, None)}
    found = _Accesses()
    for pc in sorted(reachable(program, entry)):
        row, before = listing.rows[pc], waiting.pop(pc)
        after = _pass(listing, pc, row, before, found)
        for target in successors(program, pc):
            waiting[target] = _joined(waiting[target], after) if target in waiting else after
    return found


def _pass(listing: Listing, pc: int, row: Row, before: _Before, found: _Accesses) -> _Before:
    line = int(listing.program.lines[pc])
    origins, statics = before.origins, set(listing.statics)
    made_from: frozenset[_Source] = frozenset()
    for slot in _read_slots(row):
        made_from |= origins.get(slot, frozenset())
        if slot in statics:
            made_from |= {_Source(slot, before.masked_at)}
            _note(found.reads, found.open_reads, slot, line, before.masked_at)
    written = _written_slots(row)
    for slot in written:
        if slot in statics:
            _note(found.writes, found.open_writes, slot, line, before.masked_at)
            if any(s.slot == slot and not _is_guarded(s, before.masked_at) for s in made_from):
                found.updates.setdefault(slot, set()).add(line)
    masked_at = _masked_at(listing, pc, row, before.masked_at)
    # an array element keeps what it was made from: another element may have been meant
    kept = {slot: origins.get(slot, frozenset()) if len(written) > 1 else frozenset() for slot in written}
    changes = {slot: made_from | kept[slot] for slot in written}
    return _Before({**origins, **changes}, masked_at)


def _is_guarded(source: _Source, masked_at: int | None) -> bool:
    """Whether reading and writing stand in one masked block."""
    return masked_at is not None and source.masked_at == masked_at


def _note(
    every: dict[int, set[int]], still_open: dict[int, set[int]], slot: int, line: int, masked_at: int | None
) -> None:
    every.setdefault(slot, set()).add(line)
    if masked_at is None:
        still_open.setdefault(slot, set()).add(line)


def _read_slots(row: Row) -> list[int]:
    slots = [s for s, role in zip(row[3:5], OPCODES[row.op].shape[1:3], strict=True) if role == "slot"]
    return slots + (list(range(row.b, row.b + row.extra)) if row.op in LOADS else [])


def _written_slots(row: Row) -> list[int]:
    if row.op in STORES:
        return list(range(row.dst, row.dst + row.extra))
    return [row.dst] if OPCODES[row.op].writes else []


def _masked_at(listing: Listing, pc: int, row: Row, masked_at: int | None) -> int | None:
    """The compiler masks with the constant 1 and unmasks with 0."""
    if row.op != OUT or row.extra != OUT_MASK:
        return masked_at
    return pc if listing.image[row.a][:2] == (1, 1) else None


def _joined(a: _Before, b: _Before) -> _Before:
    origins = {slot: a.origins.get(slot, frozenset()) | b.origins.get(slot, frozenset())
               for slot in {**a.origins, **b.origins}}  # fmt: skip
    return _Before(origins, a.masked_at if a.masked_at == b.masked_at else None)
