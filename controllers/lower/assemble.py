"""Instructions with labels -> instructions with targets, without the ones that do nothing."""

from collections.abc import Sequence
from dataclasses import replace

from controllers.lower.emitter import Row
from controllers.opcodes import JUMP, OPCODES, RET


def assemble(
    rows: Sequence[Row], labels: Sequence[int], entries: Sequence[int]
) -> tuple[list[Row], list[int]]:
    """Resolve labels, shorten chains of jumps, drop unreachable instructions and jumps to the next one.

    Returns the rows and where each of `entries` (pc) has gone.
    """
    resolved = [replace(row, extra=labels[row.extra]) if OPCODES[row.op].jumps else row for row in rows]
    places = list(entries)
    while True:
        threaded = [_thread(resolved, row) for row in resolved]
        reached = _reachable(threaded, places)
        kept = [
            pc
            for pc, row in enumerate(threaded)
            if pc in reached and not (row.op == JUMP and row.extra == pc + 1)
        ]
        if len(kept) == len(resolved):
            return threaded, places
        moved = _new_places(kept, len(resolved))
        resolved = [_moved(threaded[pc], moved) for pc in kept]
        places = [moved[pc] for pc in places]


def _thread(rows: Sequence[Row], row: Row) -> Row:
    """A jump to a jump goes straight to its target; a plain jump to RET is RET."""
    if not OPCODES[row.op].jumps:
        return row
    target = row.extra
    while rows[target].op == JUMP:
        target = rows[target].extra
    if row.op == JUMP and rows[target].op == RET:
        return replace(rows[target], line=row.line)
    return replace(row, extra=target)


def _reachable(rows: Sequence[Row], entries: Sequence[int]) -> set[int]:
    reached: set[int] = set()
    waiting = list(entries)
    while waiting:
        pc = waiting.pop()
        if pc in reached:
            continue
        reached.add(pc)
        row = rows[pc]
        if row.op not in (JUMP, RET):
            waiting.append(pc + 1)
        if OPCODES[row.op].jumps:
            waiting.append(row.extra)
    return reached


def _new_places(kept: Sequence[int], count: int) -> list[int]:
    """For each old pc the new pc of the first kept instruction at or after it."""
    places = [len(kept)] * (count + 1)
    for new, old in reversed(list(enumerate(kept))):
        places[old] = new
    for pc in reversed(range(count)):
        if places[pc] == len(kept):
            places[pc] = places[pc + 1]
    return places


def _moved(row: Row, places: Sequence[int]) -> Row:
    return replace(row, extra=places[row.extra]) if OPCODES[row.op].jumps else row
