"""Comparisons whose outcome the ranges decide: no compiler accepts them without a warning.

They come from parameters at the end of their range (u8 > 255) and from helpers called with constants.
"""

from dataclasses import replace
from typing import Final

from controllers import opcodes
from controllers.c.flow import A, B, Row, basic_blocks
from controllers.c.ranges import Range, Ranges
from controllers.opcodes import JUMP
from controllers.program import Program


def decided(program: Program) -> Program:
    """The program with such comparisons replaced by plain jumps; what is never reached then drops out of the
    blocks."""
    code = program.code.copy()
    for entry in program.handlers.values():
        blocks = basic_blocks(program, entry)
        ranges = Ranges(program, blocks)
        for row in (block[-1] for block in blocks):
            holds = _outcome(row, ranges.of(row, A), ranges.of(row, B))
            if holds is not None:
                code[row.pc] = (JUMP, row.kind, 0, 0, 0, row.extra if holds else row.pc + 1)
    return replace(program, code=code)


def _outcome(row: Row, a: Range | None, b: Range | None) -> bool | None:
    """Whether a compare-and-jump instruction always or never jumps; None where it depends."""
    rule = _RULES.get(row.opcode.number)
    if rule is None or a is None or b is None:
        return None
    sign, meaning = rule
    if sign == "==":
        if a.low == a.high == b.low == b.high:
            return meaning
        return not meaning if a.high < b.low or b.high < a.low else None
    if a.high < b.low or (sign == "<=" and a.high == b.low):
        return meaning
    if b.high < a.low or (sign == "<" and b.high == a.low):
        return not meaning
    return None


_RULES: Final = {
    opcodes.JUMP_LT: ("<", True),
    opcodes.JUMP_LE: ("<=", True),
    opcodes.JUMP_EQ: ("==", True),
    opcodes.JUMP_NE: ("==", False),
    opcodes.JUMP_NOT_LT: ("<", False),
    opcodes.JUMP_NOT_LE: ("<=", False),
    opcodes.WIDE_JUMP_LT: ("<", True),
    opcodes.WIDE_JUMP_LE: ("<=", True),
}
