"""What lies in registers while a handler runs, as far as any compiler knows.

One pass forward and one back over the graph of the handlers, which has no cycles. A value counts as being in
a register where the same instruction has put it there on every way, as in value numbering without insertion
(Muchnick, Advanced Compiler Design and Implementation, 1997, sec. 12.4). How many registers there are is not
asked: values that are spilled, and copies that calls need, are the error that remains.

Interrupts are no obstacle: C lets the compiler keep what is not volatile.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from controllers import opcodes
from controllers.cost_rules import Instruction, instruction_at
from controllers.graph import successors
from controllers.opcodes import OPCODES
from controllers.program import SLOT_CONST, SLOT_STATIC, SLOT_TEMP, Program

STATICS_ADDRESS: Final = -1
"""The address from which all static variables are reached; those of ports follow below it."""


def read_slots(program: Program, pc: int) -> Iterator[int]:
    """Slots that instruction `pc` reads, in the order of `Instruction.slots`."""
    op, _, _, a, b, _ = (int(column) for column in program.code[pc])
    for slot, role in zip((a, b), OPCODES[op].shape[1:3], strict=True):
        if role == "slot":
            yield slot


def addresses(program: Program, pc: int, row: Instruction) -> Iterator[int]:
    """What instruction `pc` needs the address of: static variables, or a port."""
    if row.opcode.number in (opcodes.IN, opcodes.OUT):
        yield STATICS_ADDRESS - 1 - 2 * int(program.code[pc, 5]) - (row.opcode.number == opcodes.OUT)
    yield from (STATICS_ADDRESS for where, _ in row.slots if where == SLOT_STATIC)
    if row.dst_class == SLOT_STATIC:
        yield STATICS_ADDRESS


def _array(program: Program, pc: int) -> range:
    """Slots of the array that instruction `pc` reads or writes at an index."""
    _, _, dst, _, b, length = (int(column) for column in program.code[pc])
    shape = OPCODES[program.code[pc, 0]].shape
    first = dst if shape[0] == "array" else b if shape[2] == "array" else None
    return range(0) if first is None else range(first, first + length)


@dataclass
class Flow:
    """kept: per instruction, slot or address in a register before it -> pc that has put it there. constant:
    instructions whose result is one, of constants that they or earlier ones hold. dropped: stores that are
    overwritten. renamed: copies whose source is not needed after them. unused: constants that only other
    constants are computed from."""

    program: Program

    def __post_init__(self) -> None:
        self.constant: set[int] = set()
        self.kept = self._forward()
        self.dropped: set[int] = set()
        self.renamed: set[int] = set()
        self.unused: set[int] = set()
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
        program, row, elements = self.program, instruction_at(self.program, pc), _array(self.program, pc)
        if self._is_constant(pc, kept):
            self.constant.add(pc)
        after = {place: origin for place, origin in kept.items() if place not in elements}
        used = [slot for slot in read_slots(program, pc) if program.slot_class[slot] == SLOT_STATIC]
        for place in (*used, *addresses(program, pc, row)):
            after.setdefault(place, pc)
        if row.dst_class is not None:
            after[int(program.code[pc, 2])] = pc
        return after

    def _is_constant(self, pc: int, kept: Mapping[int, int]) -> bool:
        """Whether an instruction that computes has only constants to compute with."""
        opcode = OPCODES[self.program.code[pc, 0]]
        read = list(read_slots(self.program, pc))
        return (
            bool(read)
            and opcode.writes
            and "array" not in opcode.shape
            and all(
                self.program.slot_class[slot] == SLOT_CONST or kept.get(slot) in self.constant
                for slot in read
            )
        )

    def _backward(self) -> None:
        """What is stored again on every way, and which temporaries are still needed."""
        program, count = self.program, len(self.program.code)
        overwritten: list[frozenset[int]] = [frozenset()] * count
        needed: list[frozenset[int]] = [frozenset()] * count
        for pc in reversed(range(count)):
            after = list(successors(program, pc))
            later = frozenset.intersection(*(overwritten[t] for t in after)) if after else frozenset()
            wanted = frozenset[int]().union(*(needed[t] for t in after))
            read = frozenset(read_slots(program, pc))
            written = frozenset({int(program.code[pc, 2])} if OPCODES[program.code[pc, 0]].writes else ())
            if written & later:
                self.dropped.add(pc)
            if not read & wanted:
                self.renamed.add(pc)
            if pc in self.constant and self._of(written, SLOT_TEMP) - wanted:
                self.unused.add(pc)
            loaded = (read - self.kept[pc].keys()) | frozenset(_array(program, pc))
            overwritten[pc] = (later | self._of(written, SLOT_STATIC)) - loaded
            used = frozenset[int]() if pc in self.constant else self._of(read, SLOT_TEMP)
            needed[pc] = (wanted - written) | used

    def _of(self, slots: frozenset[int], slot_class: int) -> frozenset[int]:
        return frozenset(slot for slot in slots if self.program.slot_class[slot] == slot_class)
