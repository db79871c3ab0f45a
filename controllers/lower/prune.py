"""Slots that no instruction uses are dropped: a law takes over more from its base than it needs.

A compiler does the same with static variables that nothing refers to, so they cost no RAM.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from controllers.lower.emitter import Row, Slot
from controllers.opcodes import OPCODES

_COLUMNS = ("dst", "a", "b")


def prune(
    rows: Sequence[Row], slots: Sequence[Slot], arrays: Mapping[str, tuple[int, int]]
) -> tuple[list[Row], list[Slot], dict[str, tuple[int, int]]]:
    """The rows renumbered, the slots they use, and the arrays of which any element is used (all of its
    elements are kept)."""
    used = {slot for row in rows for slot in _slots_of(row)}
    kept_arrays = {
        name: (first, length)
        for name, (first, length) in arrays.items()
        if used & set(range(first, first + length))
    }
    for first, length in kept_arrays.values():
        used |= set(range(first, first + length))
    places = {old: new for new, old in enumerate(sorted(used))}
    moved = [_moved(row, places) for row in rows]
    kept = [slots[old] for old in sorted(used)]
    return moved, kept, {name: (places[first], length) for name, (first, length) in kept_arrays.items()}


def _slots_of(row: Row) -> list[int]:
    """Slots that an instruction names; of an array the first."""
    roles = OPCODES[row.op].shape
    return [
        getattr(row, column)
        for column, role in zip(_COLUMNS, roles, strict=False)
        if role in ("slot", "array")
    ]


def _moved(row: Row, places: Mapping[int, int]) -> Row:
    roles = OPCODES[row.op].shape
    changes = {
        column: places[getattr(row, column)]
        for column, role in zip(_COLUMNS, roles, strict=False)
        if role in ("slot", "array")
    }
    return replace(row, **changes)
