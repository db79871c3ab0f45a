"""What a compiler keeps in registers: operands that cost nothing because the value lies there already.

Found by one pass forward and one back over the graph of the handlers, which has no cycles: a static variable
that an earlier instruction has left in a register is not loaded again; a store that another one overwrites
before anybody looks is dropped; a copy whose source is not needed any more is renaming. A value counts as
being in a register where the same instruction has put it there on every way, as in value numbering without
insertion (Muchnick, Advanced Compiler Design and Implementation, 1997, sec. 12.4).

Interrupts are no obstacle: C lets the compiler keep what is not volatile.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from controllers import opcodes
from controllers.cost_rules import Instruction, instruction_at
from controllers.graph import successors
from controllers.kinds import MACHINE_KINDS
from controllers.narrowing import narrowed
from controllers.opcodes import OPCODES
from controllers.program import SLOT_CONST, SLOT_STATIC, SLOT_TEMP, Program
from targets.schema import Compiler

_COPIES: Final = (opcodes.MOVE, opcodes.F_MOVE)
_ADDITIONS: Final = (opcodes.ADD, opcodes.SUB, opcodes.WRAP_ADD, opcodes.WRAP_SUB)
_ANCHOR: Final = -1
"""The address from which all static variables are reached; those of ports follow below it."""


class Settled(NamedTuple):
    """An instruction as the compiler leaves it.

    instruction: what lies in a register, and what is not stored, is a temporary in it; None where nothing is
    left to do. known_addresses: how many of the addresses it uses lie in registers.
    """

    instruction: Instruction | None
    known_addresses: int


def settle(program: Program, compiler: Compiler | None) -> list[Settled]:
    """Every instruction of `program`; without a compiler operands are used where they lie."""
    if compiler is None:
        return [Settled(instruction_at(program, pc), 0) for pc in range(len(program.code))]
    flow, rows = _Flow(program), narrowed(program)
    return [_settled(flow, pc, rows[pc], compiler) for pc in range(len(program.code))]


def _settled(flow: "_Flow", pc: int, row: Instruction, compiler: Compiler) -> Settled:
    kept = flow.kept[pc]
    slots = tuple(
        (SLOT_TEMP if slot in kept or _is_immediate(flow.program, row, slot, position, compiler) else where, kind)
        for position, (slot, (where, kind)) in enumerate(zip(_read(flow.program, pc), row.slots, strict=True))
    )
    is_stored = row.dst_class == SLOT_STATIC and pc not in flow.dropped
    settled = row._replace(slots=slots, dst_class=row.dst_class if is_stored or row.dst_class is None else SLOT_TEMP)
    if row.opcode.number in _COPIES and not is_stored and slots[0][0] == SLOT_TEMP and pc in flow.renamed:
        return Settled(None, 0)
    used = list(_addresses(flow.program, pc, settled))
    needed = {a for a in used if a not in kept and not (a == _ANCHOR and compiler.statics_in_reach)}
    return Settled(settled, len(used) - len(needed))


def _is_immediate(program: Program, row: Instruction, slot: int, position: int, compiler: Compiler) -> bool:
    """Whether a constant is part of the instruction that uses it."""
    if program.slot_class[slot] != SLOT_CONST or MACHINE_KINDS[program.slot_kinds[slot]].is_float:
        return False
    value = int(program.ints[slot])
    if row.opcode.number in _ADDITIONS:
        return position == 1 and abs(value) <= compiler.free_in_add
    if row.opcode.jumps:  # a value compared with half its range is tested for its sign
        return 0 <= value <= compiler.free_in_compare or value == row.kind.high >> 1
    is_passed_on = row.opcode.number in (opcodes.OUT, *_COPIES) and row.dst_class != SLOT_TEMP
    return value == 0 and compiler.zero_register and is_passed_on


def _read(program: Program, pc: int) -> Iterator[int]:
    """Slots that instruction `pc` reads, in the order of `Instruction.slots`."""
    op, _, _, a, b, _ = (int(column) for column in program.code[pc])
    for slot, role in zip((a, b), OPCODES[op].shape[1:3], strict=True):
        if role == "slot":
            yield slot


def _addresses(program: Program, pc: int, row: Instruction) -> Iterator[int]:
    """What instruction `pc` needs the address of: static variables, or a port."""
    if row.opcode.number in (opcodes.IN, opcodes.OUT):
        yield _ANCHOR - 1 - 2 * int(program.code[pc, 5]) - (row.opcode.number == opcodes.OUT)
    yield from (_ANCHOR for where, _ in row.slots if where == SLOT_STATIC)
    if row.dst_class == SLOT_STATIC:
        yield _ANCHOR


def _array(program: Program, pc: int) -> range:
    """Slots of the array that instruction `pc` reads or writes at an index."""
    _, _, dst, _, b, length = (int(column) for column in program.code[pc])
    shape = OPCODES[program.code[pc, 0]].shape
    first = dst if shape[0] == "array" else b if shape[2] == "array" else None
    return range(0) if first is None else range(first, first + length)


@dataclass
class _Flow:
    """kept: per instruction, slot or address in a register before it -> pc that has put it there. dropped:
    stores that are overwritten. renamed: copies whose source is not needed after them."""

    program: Program

    def __post_init__(self) -> None:
        self.kept = self._forward()
        self.dropped: set[int] = set()
        self.renamed: set[int] = set()
        self._backward()

    def _forward(self) -> list[Mapping[int, int]]:
        program = self.program
        before: list[dict[int, int] | None] = [None] * len(program.code)
        for entry in program.handlers.values():
            before[entry] = {}
        for pc in range(len(program.code)):
            after = self._after(pc, before[pc] or {})
            for target in successors(program, pc):
                known = before[target]
                before[target] = after if known is None else dict(after.items() & known.items())
        return [known or {} for known in before]

    def _after(self, pc: int, kept: Mapping[int, int]) -> dict[int, int]:
        program, row = self.program, instruction_at(self.program, pc)
        after = {slot: origin for slot, origin in kept.items() if slot not in _array(program, pc)}
        used = [slot for slot in _read(program, pc) if program.slot_class[slot] == SLOT_STATIC]
        for place in (*used, *_addresses(program, pc, row)):
            after.setdefault(place, pc)
        if row.dst_class == SLOT_STATIC:
            after[int(program.code[pc, 2])] = pc
        return after

    def _backward(self) -> None:
        """What is stored again on every way, and which temporaries are still needed."""
        program, count = self.program, len(self.program.code)
        overwritten: list[frozenset[int]] = [frozenset()] * count
        needed: list[frozenset[int]] = [frozenset()] * count
        for pc in reversed(range(count)):
            after = list(successors(program, pc))
            later = frozenset.intersection(*(overwritten[t] for t in after)) if after else frozenset()
            wanted = frozenset().union(*(needed[t] for t in after))
            read, dst = set(_read(program, pc)), int(program.code[pc, 2])
            writes = {dst} if OPCODES[program.code[pc, 0]].writes else set()
            if writes and dst in later:
                self.dropped.add(pc)
            if not read & wanted:
                self.renamed.add(pc)
            statics = {slot for slot in writes if program.slot_class[slot] == SLOT_STATIC}
            loaded = {slot for slot in read if slot not in self.kept[pc]}
            overwritten[pc] = ((later | statics) - loaded) - set(_array(program, pc))
            needed[pc] = (wanted - writes) | {s for s in read if program.slot_class[s] == SLOT_TEMP}
