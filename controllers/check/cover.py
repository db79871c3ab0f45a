"""Which ways of the branches were taken: a Program with a mark on each, executed by the same machine.

The machine is not touched. Behind every conditional jump stands a MOVE that sets a slot of its own, and one
more on the way to its target; both cost nothing, so cycles, results and faults stay those of the Program.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers.kinds import U8
from controllers.opcodes import JUMP, MOVE, OPCODES
from controllers.program import Program

_TARGET_COLUMN = 5
Row = list[int]


@dataclass(frozen=True)
class Side:
    """One way out of a conditional jump: from `line` on to `to_line` (lines of `Program.lines`). `pc`: the
    jump; `is_taken`: the way of the jump, not the way straight on."""

    pc: int
    is_taken: bool
    line: int
    to_line: int


@dataclass(frozen=True, eq=False)
class Marked:
    """A Program with marks. code: as `Program.code`; origin: for each row the pc it came from; is_mark: rows
    that were added; entries: first pc of each handler as `Program.entries`; slots: how many, marks included,
    which are the last `len(sides)` ones."""

    code: Any
    origin: Any
    is_mark: Any
    entries: Any
    slots: int
    sides: tuple[Side, ...]


def conditional_jumps(program: Program) -> list[int]:
    """pc of every jump that depends on something."""
    ops = (int(op) for op in program.code[:, 0])
    return [pc for pc, op in enumerate(ops) if OPCODES[op].jumps and op != JUMP]


def marked(program: Program) -> Marked:
    """Put a mark on both ways of every conditional jump."""
    jumps = conditional_jumps(program)
    first, one = len(program.ints), len(program.ints) + 2 * len(jumps)
    place = _places(len(program.code), jumps)
    code: list[Row] = []
    origin: list[int] = []
    for pc, row in enumerate(program.code.tolist()):
        code.append(_moved(row, place))
        origin.append(pc)
        if pc in place.jumps:
            code.append(_mark(first + 2 * place.jumps[pc], one))
            origin.append(pc)
    for number, pc in enumerate(jumps):  # the ways to the targets stand behind the program
        code[place.of[pc]][_TARGET_COLUMN] = len(code)
        target = place.of[int(program.code[pc, _TARGET_COLUMN])]
        code += [_mark(first + 2 * number + 1, one), [JUMP, U8.index, 0, 0, 0, target]]
        origin += [pc, pc]
    is_mark = np.ones(len(code), dtype=np.bool_)
    is_mark[place.of] = False
    return Marked(
        code=np.array(code, dtype=np.int32),
        origin=np.array(origin, dtype=np.int64),
        is_mark=is_mark,
        entries=np.array([pc if pc < 0 else place.of[pc] for pc in program.entries], dtype=np.int64),
        slots=one + 1,
        sides=tuple(side for pc in jumps for side in _sides(program, pc)),
    )


@dataclass(frozen=True)
class _Places:
    """of: old pc -> new pc; jumps: old pc of a conditional jump -> its number."""

    of: list[int]
    jumps: dict[int, int]


def _places(rows: int, jumps: Sequence[int]) -> _Places:
    numbers = {pc: number for number, pc in enumerate(jumps)}
    places, new = [], 0
    for pc in range(rows):
        places.append(new)
        new += 2 if pc in numbers else 1
    return _Places(places, numbers)


def _moved(row: Row, place: _Places) -> Row:
    """A row with its target where that has gone."""
    if OPCODES[row[0]].jumps:
        return [*row[:_TARGET_COLUMN], place.of[row[_TARGET_COLUMN]]]
    return list(row)


def _mark(slot: int, one: int) -> Row:
    return [MOVE, U8.index, slot, one, 0, 0]


def _sides(program: Program, pc: int) -> tuple[Side, Side]:
    line, target = int(program.lines[pc]), int(program.code[pc, _TARGET_COLUMN])
    return (
        Side(pc, False, line, int(program.lines[pc + 1])),
        Side(pc, True, line, int(program.lines[target])),
    )
