"""What the ranges of operands spare: wide products and quotients, and the check of an index.

The ranges are those of `controllers.c.ranges`: what the instructions of the handler itself say.
"""

from typing import Final

from controllers import opcodes
from controllers.c.flow import A, B, basic_blocks
from controllers.c.ranges import Range, Ranges
from controllers.cost_rules import Instruction, instruction_at
from controllers.kinds import I16, I32, KIND_BY_NAME, U16, Kind
from controllers.program import Program

_DIVISIONS: Final = (opcodes.DIV, opcodes.MOD)
_LOADS_AT: Final = (opcodes.LOAD_AT, opcodes.F_LOAD_AT)
_STORES_AT: Final = (opcodes.STORE_AT, opcodes.F_STORE_AT)
_DIVISION_KINDS: Final = tuple(KIND_BY_NAME[name] for name in ("u8", "u16", "u32"))
"""A sign costs extra, so an operand that has none is divided as unsigned."""
_PRODUCT_KINDS: Final = (U16, I16)


def narrowed(program: Program) -> list[Instruction]:
    """Every instruction of `program`, with the kinds and the quotient bits that the ranges allow."""
    rows = [instruction_at(program, pc) for pc in range(len(program.code))]
    for entry in program.handlers.values():
        blocks = basic_blocks(program, entry)
        ranges = Ranges(program, blocks)
        for block in blocks:
            for row in block:
                a, b = ranges.of(row, A), ranges.of(row, B)
                index = (
                    a if row.opcode.number in _LOADS_AT else b if row.opcode.number in _STORES_AT else None
                )
                if index is not None:
                    rows[row.pc] = rows[row.pc]._replace(is_inside=index.low >= 0 and index.high < row.extra)
                elif a is not None and b is not None:
                    rows[row.pc] = _narrow(rows[row.pc], a, b)
    return rows


def _narrow(row: Instruction, a: Range, b: Range) -> Instruction:
    if row.opcode.number in _DIVISIONS:
        return row._replace(
            narrow=_first(_DIVISION_KINDS, a, b, row.kind),
            quotient_bits=_quotient_bits(a, b),
            is_positive=_is_positive(row, a, b),
        )
    if row.opcode.number == opcodes.DIV_SHIFT:
        shifted = Range(a.low << row.extra, a.high << row.extra)
        return row._replace(quotient_bits=_quotient_bits(shifted, b), is_positive=_is_positive(row, a, b))
    if row.opcode.number == opcodes.MUL and row.kind.bits == 2 * U16.bits:
        return row._replace(narrow=_first(_PRODUCT_KINDS, a, b, row.kind))
    return row


def _is_positive(row: Instruction, a: Range, b: Range) -> bool:
    return a.low >= 0 and b.low >= 0 and max(a.high, b.high) < 1 << (max(I32.bits, row.kind.bits) - 1)


def _first(kinds: tuple[Kind, ...], a: Range, b: Range, kind: Kind) -> Kind | None:
    fitting = (k for k in kinds if k.bits <= kind.bits and a.within(k) and b.within(k))
    return next(fitting, None)


def _quotient_bits(a: Range, b: Range) -> int:
    """Bits of the greatest quotient."""
    dividend = max(abs(a.low), abs(a.high))
    divisor = 1 if b.low <= 1 and b.high >= -1 else min(abs(b.low), abs(b.high))
    return (dividend // divisor).bit_length()
