"""Basic blocks of a handler, and which values reach which instruction."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from controllers.graph import reachable, successors
from controllers.opcodes import F_MOVE, MOVE, OPCODES, Opcode
from controllers.program import SLOT_TEMP, Program

DST: Final = 2
A: Final = 3
B: Final = 4
EXTRA: Final = 5


@dataclass(frozen=True)
class Row:
    """One instruction, columns by name."""

    pc: int
    opcode: Opcode
    kind: int
    dst: int
    a: int
    b: int
    extra: int
    line: int

    @property
    def read_slots(self) -> Iterator[tuple[int, int]]:
        """(column, slot) of each operand that is a slot."""
        for column, slot, role in ((A, self.a, self.opcode.shape[1]), (B, self.b, self.opcode.shape[2])):
            if role == "slot":
                yield column, slot


def row_at(program: Program, pc: int) -> Row:
    """Instruction `pc` of a program."""
    op, kind, dst, a, b, extra = (int(column) for column in program.code[pc])
    return Row(pc, OPCODES[op], kind, dst, a, b, extra, int(program.lines[pc]))


def basic_blocks(program: Program, entry: int) -> list[list[Row]]:
    """Runs of instructions that are entered at the first and left after the last only, in the order of pc."""
    pcs = sorted(reachable(program, entry))
    leaders = {entry}
    for pc in pcs:
        after = list(successors(program, pc))
        if after != [pc + 1]:
            leaders.update(after)
    blocks: list[list[Row]] = []
    for pc in pcs:
        if pc in leaders:
            blocks.append([])
        blocks[-1].append(row_at(program, pc))
    return blocks


@dataclass(frozen=True)
class Web:
    """One variable in the eyes of C: writes of a temporary slot that reach the same reads. The compiler uses
    a slot again for what has nothing to do with it; webs tell the uses apart."""

    slot: int
    writes: tuple[int, ...]
    reads: tuple[int, ...]

    @property
    def number(self) -> int:
        """What tells it from the others: the pc of its first write."""
        return self.writes[0]


@dataclass(frozen=True)
class Webs:
    """written[pc]: the web that an instruction writes. read[pc, column]: the web that an operand reads. live:
    numbers of those that something outside the temporaries depends on. renamed: moves from one slot of a web
    to another."""

    written: dict[int, Web]
    read: dict[tuple[int, int], Web]
    live: frozenset[int]
    renamed: frozenset[int] = frozenset()


def find_webs(program: Program, blocks: list[list[Row]]) -> Webs:
    """Webs of a handler. Jumps go forward only, so one pass over the instructions finds every reaching
    write. A variable that is only a copy of one that is not read any more is the same variable."""
    leader: dict[int, int] = {}
    reads: list[tuple[int, int, int]] = []
    slots: dict[int, int] = {}
    moves: list[int] = []
    arriving: dict[int, dict[int, frozenset[int]]] = {}
    for row in (row for block in blocks for row in block):
        reaching = dict(arriving.get(row.pc, {}))
        for column, slot in row.read_slots:
            if program.slot_class[slot] == SLOT_TEMP:
                first = min(_root(leader, pc) for pc in reaching[slot])
                leader.update({_root(leader, pc): first for pc in reaching[slot]})
                reads.append((row.pc, column, first))
        if row.opcode.writes and program.slot_class[row.dst] == SLOT_TEMP:
            leader[row.pc] = row.pc
            slots[row.pc] = row.dst
            if row.opcode.number in (MOVE, F_MOVE) and program.slot_class[row.a] == SLOT_TEMP:
                moves.append(row.pc)
            reaching[row.dst] = frozenset({row.pc})
        for target in successors(program, row.pc):
            _join(arriving.setdefault(target, {}), reaching)
    webs = _collect(leader, reads, slots)
    same: set[int] = set()
    for pc in moves:
        source, copy = webs.read[pc, A], webs.written[pc]
        if copy.writes == (pc,) and max(source.reads) == pc:
            leader[pc] = _root(leader, source.number)
            same.add(pc)
    left = _collect(leader, [read for read in reads if read[0] not in same], slots)
    return replace(left, renamed=frozenset(same))


def _root(leader: dict[int, int], pc: int) -> int:
    while leader[pc] != pc:
        pc = leader[pc]
    return pc


def _join(into: dict[int, frozenset[int]], reaching: dict[int, frozenset[int]]) -> None:
    for slot, writes in reaching.items():
        into[slot] = into.get(slot, frozenset()) | writes


def _collect(leader: dict[int, int], reads: list[tuple[int, int, int]], slots: dict[int, int]) -> Webs:
    writes_of: dict[int, list[int]] = {}
    reads_of: dict[int, list[int]] = {}
    for pc in leader:
        writes_of.setdefault(_root(leader, pc), []).append(pc)
    for pc, _, first in reads:
        reads_of.setdefault(_root(leader, first), []).append(pc)
    webs = {
        root: Web(slots[root], tuple(sorted(writes)), tuple(reads_of.get(root, ())))
        for root, writes in writes_of.items()
    }
    written = {pc: webs[_root(leader, pc)] for pc in leader}
    read = {(pc, column): webs[_root(leader, first)] for pc, column, first in reads}
    return Webs(written, read, _live(written, read))


def _live(written: dict[int, Web], read: dict[tuple[int, int], Web]) -> frozenset[int]:
    """What is read for a write elsewhere, a port, a jump, or for a live web."""
    sources: dict[int, set[int]] = {}
    waiting: list[int] = []
    for (pc, _), web in read.items():
        if pc in written:
            sources.setdefault(written[pc].number, set()).add(web.number)
        else:
            waiting.append(web.number)
    live: set[int] = set()
    while waiting:
        number = waiting.pop()
        if number not in live:
            live.add(number)
            waiting.extend(sources.get(number, ()))
    return frozenset(live)
