"""Instructions as a compiler leaves them: operands that cost nothing, stores and copies that it drops.

What lies in a register is not loaded again; a store that another one overwrites before anybody looks is
dropped; a copy whose source is not needed any more is renaming; a constant is as short as its value.
"""

from typing import Final, NamedTuple

from controllers import opcodes
from controllers.cost_rules import Instruction, instruction_at
from controllers.kinds import I32, U8, U16, Kind
from controllers.narrowing import narrowed
from controllers.opcodes import OPCODES
from controllers.program import SLOT_CONST, SLOT_STATIC, SLOT_TEMP, Program
from controllers.registers import STATICS_ADDRESS, Flow, addresses, read_slots
from targets.schema import Target
from targets.sections import Compiler

_COPIES: Final = (opcodes.MOVE, opcodes.F_MOVE)
_ADDITIONS: Final = (opcodes.ADD, opcodes.SUB, opcodes.WRAP_ADD, opcodes.WRAP_SUB)


class Settled(NamedTuple):
    """An instruction as the compiler leaves it.

    instruction: what lies in a register, and what is not stored, is a temporary in it; None where nothing is
    left to do. known_addresses: how many of the addresses it uses lie in registers. is_conditional: a jump
    over one instruction, which is made conditional instead.
    """

    instruction: Instruction | None
    known_addresses: int = 0
    is_conditional: bool = False


def settle(program: Program, target: Target) -> list[Settled]:
    """Every instruction of `program`; without a compiler operands are used where they lie."""
    compiler = target.compiler
    if compiler is None:
        return [Settled(instruction_at(program, pc)) for pc in range(len(program.code))]
    flow, is_word = Flow(program), target.memory.word_bits >= I32.bits
    weighs = compiler.links_both_divisions
    rows = [
        row._replace(keeps_low_word=is_word, is_positive=row.is_positive and weighs)
        for row in narrowed(program)
    ]
    return [_settled(flow, pc, rows[pc], compiler) for pc in range(len(rows))]


def _settled(flow: Flow, pc: int, row: Instruction, compiler: Compiler) -> Settled:
    program = flow.program
    if pc in flow.unused:
        return Settled(None)
    is_stored = row.dst_class == SLOT_STATIC and pc not in flow.dropped
    settled = (
        _computed(row)
        if pc in flow.constant and row.opcode.number not in _COPIES
        else row._replace(slots=_operands(flow, pc, row, compiler))
    )
    if row.dst_class == SLOT_STATIC and not is_stored:
        settled = settled._replace(dst_class=SLOT_TEMP)
    is_copy = settled.opcode.number in _COPIES and settled.dst_class == SLOT_TEMP
    if is_copy and settled.slots[0][0] == SLOT_TEMP and pc in flow.renamed:
        return Settled(None)
    used = list(addresses(program, pc, settled))
    needed = {a for a in used if a not in flow.kept[pc]}
    if compiler.statics_in_reach:
        needed.discard(STATICS_ADDRESS)
    return Settled(
        settled, len(used) - len(needed), compiler.conditional_instructions and _jumps_over_one(program, pc)
    )


def _operands(flow: Flow, pc: int, row: Instruction, compiler: Compiler) -> tuple[tuple[int, Kind], ...]:
    read, operands = list(read_slots(flow.program, pc)), []
    for position, (slot, (where, kind)) in enumerate(zip(read, row.slots, strict=True)):
        if where == SLOT_CONST:
            operands.append(_constant(int(flow.program.ints[slot]), row, position, kind, compiler))
        else:
            is_there = slot in flow.kept[pc] or slot in read[:position]
            operands.append((SLOT_TEMP if is_there else where, kind))
    return tuple(operands)


def _computed(row: Instruction) -> Instruction:
    """What the compiler computes itself is a constant to be loaded."""
    copy = opcodes.F_MOVE if row.kind.is_float else opcodes.MOVE
    return row._replace(opcode=OPCODES[copy], slots=((SLOT_CONST, row.kind),))


def _constant(
    value: int, row: Instruction, position: int, kind: Kind, compiler: Compiler
) -> tuple[int, Kind]:
    """Class and kind at which a constant is priced: free in the instruction, or as narrow as its value."""
    if kind.is_float:
        return SLOT_CONST, kind
    if _is_immediate(row, position, value, compiler):
        return SLOT_TEMP, kind
    if compiler.loads_words and abs(value) <= compiler.free_in_add:
        return SLOT_CONST, U8
    return SLOT_CONST, U16 if compiler.loads_words and 0 <= value <= U16.high else kind


def _is_immediate(row: Instruction, position: int, value: int, compiler: Compiler) -> bool:
    """Whether a constant is part of the instruction that uses it."""
    shifted = abs(value) & -abs(value)
    is_short = abs(value) < shifted << compiler.free_shifted_bits
    if row.opcode.number in _ADDITIONS:
        return position == 1 and (abs(value) <= compiler.free_in_add or is_short)
    if row.opcode.jumps:  # a value compared with half its range is tested for its sign
        return 0 <= value <= compiler.free_in_compare or is_short or value == row.kind.high >> 1
    is_passed_on = row.opcode.number in (opcodes.OUT, *_COPIES) and row.dst_class != SLOT_TEMP
    return value == 0 and compiler.zero_register and is_passed_on


def _jumps_over_one(program: Program, pc: int) -> bool:
    """Whether instruction `pc` jumps over one that works on registers alone."""
    row, following = instruction_at(program, pc), instruction_at(program, min(pc + 1, len(program.code) - 1))
    is_simple = following.opcode.cost_rule in ("move", "arithmetic") and following.dst_class == SLOT_TEMP
    over_one = row.opcode.jumps and int(program.code[pc, 5]) == pc + 2
    return over_one and is_simple and following.opcode.cost_word not in ("mul", "div", "mod")
