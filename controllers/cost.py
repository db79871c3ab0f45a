"""The linker: what a Program costs on a target, in cycles, flash and RAM, and whether it fits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np

from controllers.cost_rules import cost_items, named_keys
from controllers.flash_lines import line_waits
from controllers.frames import called_routines, frame_cycles, stack_bytes
from controllers.graph import longest_routes, reachable
from controllers.kinds import MACHINE_KINDS
from controllers.opcodes import OPCODES
from controllers.program import SLOT_CONST, SLOT_STATIC, SLOT_TEMP, Program
from controllers.room import Room, room
from controllers.settle import Settled, settle
from targets.schema import Cost, Target
from targets.wait_states import literals

MINIMUM: Final = 0
TYPICAL: Final = 1
MAXIMUM: Final = 2


@dataclass(frozen=True, eq=False)
class LinkedProgram:
    """A Program with its price on one target.

    cycles: int64[n, 3], CPU clock cycles of each instruction, columns MINIMUM, TYPICAL, MAXIMUM;
    frame_cycles: the part of them that saves and restores registers (`controllers.frames`).
    routines: handler -> library routines that it calls.
    worst_case_cycles, typical_cycles: handler -> longest path at maximum and at typical costs, without
    interrupt entry and exit: no call of the Program takes longer, while compiled code may take up to a sixth
    longer (ACCURACY.md). flash_bytes, ram_bytes: with the target's fixed parts; stack_bytes: the part of the
    RAM that is stack.
    """

    program: Program
    target: str
    cycles: Any
    frame_cycles: Any
    routines: Mapping[str, frozenset[str]]
    worst_case_cycles: Mapping[str, int]
    typical_cycles: Mapping[str, int]
    flash_bytes: int
    ram_bytes: int
    stack_bytes: int
    room: Room

    @property
    def fits(self) -> bool:
        """Whether the target has the memory, by the numbers."""
        return self.room.fits


def link(program: Program, target: Target, structure: str = "interrupt") -> LinkedProgram:
    """Price every instruction of `program` on `target` and add up handlers and memory.

    Wait states of the flash are in it where `target` is one of `targets.at_clock`. structure: what calls the
    handlers, a key of `priorities.PRIORITIES`; frames and stack hang on it.
    """
    compiled = [_priced(row, target) for row in settle(program, target)]
    called = called_routines(program, (row.routines for row in compiled))
    frames = frame_cycles(program, target, called, structure)
    bare = np.array([row.cycles for row in compiled], dtype=np.int64)
    cycles = bare + line_waits([row.code_bytes for row in compiled], bare, target) + frames
    flash_bytes = sum(_flash_parts(program, compiled, target).values())
    stack = stack_bytes(program, target, called, structure)
    ram_bytes = (
        target.memory.fixed_ram_bytes + static_bytes(program) + temporary_bytes(program, target) + stack
    )
    return LinkedProgram(
        program=program,
        target=target.name,
        cycles=cycles,
        frame_cycles=frames,
        routines=called,
        worst_case_cycles=_longest(program, cycles[:, MAXIMUM]),
        typical_cycles=_longest(program, cycles[:, TYPICAL]),
        flash_bytes=flash_bytes,
        ram_bytes=ram_bytes,
        stack_bytes=stack,
        room=room(target, flash_bytes, ram_bytes, stack),
    )


def _longest(program: Program, cost: Any) -> dict[str, int]:
    return {handler: route.cost for handler, route in longest_routes(program, cost).items()}


class _Priced(NamedTuple):
    """An instruction with its price: cycles (minimum, typical, maximum), bytes in line, those of them that it
    runs through (constants behind the code left out), routines it calls."""

    cycles: tuple[int, int, int]
    flash_bytes: int
    code_bytes: int
    routines: frozenset[str]


def _priced(row: Settled, target: Target) -> _Priced:
    if row.instruction is None:
        return _Priced((0, 0, 0), 0, 0, frozenset())
    items = tuple(cost_items(row.instruction))
    costs = [(_bounded(target.costs[key], row, target), count) for key, count in items if count]
    loaded = sum(literals(key, target.costs[key], target.compiler) * count for key, count in items)
    named = [target.costs[key] for key in named_keys(row.instruction)]
    cycles, flash_bytes = _address(target)
    low, typical, high = (
        max(0, sum(column) - cycles * row.known_addresses)
        for column in (
            (cost.cycles_min * count for cost, count in costs),
            (cost.cycles_typical * count for cost, count in costs),
            (cost.cycles_max * count for cost, count in costs),
        )
    )
    in_line = sum(cost.flash_bytes * count for cost, count in costs) - row.known_addresses * flash_bytes
    literal_bytes = 0 if target.compiler is None else target.compiler.literal_bytes
    return _Priced(
        (low, typical, high),
        in_line,
        in_line - literal_bytes * (loaded - row.known_addresses),
        frozenset(
            cost.routine for cost in (*(cost for cost, _ in costs), *named) if cost.routine is not None
        ),
    )


def _bounded(cost: Cost, settled: Settled, target: Target) -> Cost:
    """The price of one item where the compiler, or what is known of the operands, narrows it.

    Which way of a branch is the cheap one the layout decides, and over a handler both occur: its maximum is
    the mean. Division routines and hardware alike take a time that grows with the bits of the quotient.
    """
    row = settled.instruction
    if target.compiler is None or row is None:
        return cost
    if row.opcode.jumps and cost.routine is None:
        typical = cost.cycles_min if settled.is_conditional else cost.cycles_typical
        return cost.model_copy(update={"cycles_typical": typical, "cycles_max": typical})
    if row.quotient_bits is not None:
        bits = 64 if row.opcode.cost_rule == "divide_wide" else (row.narrow or row.kind).bits
        spread = cost.cycles_max - cost.cycles_min
        high = cost.cycles_min + -(-spread * row.quotient_bits // bits)
        high = min(high, cost.cycles_max)
        return cost.model_copy(update={"cycles_max": high, "cycles_typical": min(high, cost.cycles_typical)})
    return cost


def _address(target: Target) -> tuple[int, int]:
    """Cycles and bytes that a load, a store or a port access takes to find its address."""
    compiler = target.compiler
    return (0, 0) if compiler is None else (compiler.address_cycles, compiler.address_bytes)


def flash_parts(program: Program, target: Target) -> dict[str, int]:
    """What flash holds [bytes]: instructions of each handler, tables and initial values, each library routine
    once, start-up code."""
    return _flash_parts(program, [_priced(row, target) for row in settle(program, target)], target)


def _flash_parts(program: Program, compiled: Sequence[_Priced], target: Target) -> dict[str, int]:
    handlers = {
        handler: sum(compiled[pc].flash_bytes for pc in reachable(program, entry))
        for handler, entry in program.handlers.items()
    }
    routines = sorted(frozenset[str]().union(*(row.routines for row in compiled)))
    return {
        **handlers,
        "tables and initial values": stored_bytes(program),
        **{name: target.routines[name].bytes for name in routines},
        "start-up code": target.memory.fixed_flash_bytes,
    }


def stored_bytes(program: Program) -> int:
    """Flash of the tables, and of the initial values of static variables that do not start at 0."""
    tables = [slots for slots in program.arrays.values() if program.slot_class[slots[0]] == SLOT_CONST]
    elements = [slot for first, length in tables for slot in range(first, first + length)]
    initial = [slot for slot in program.statics.values() if program.ints[slot] or program.floats[slot]]
    return sum(_slot_bytes(program, slot) for slot in (*elements, *initial))


def static_bytes(program: Program) -> int:
    """RAM of the static variables."""
    return sum(
        _slot_bytes(program, slot)
        for slot in range(len(program.ints))
        if int(program.slot_class[slot]) == SLOT_STATIC
    )


def temporary_bytes(program: Program, target: Target) -> int:
    """RAM of the handler with the most temporaries where operands are used where they lie; where a compiler
    keeps them in registers, those that find no room are part of the frame."""
    if target.compiler is not None:
        return 0
    return max(
        sum(_slot_bytes(program, slot) for slot in _temporaries(program, pc))
        for pc in program.handlers.values()
    )


def _slot_bytes(program: Program, slot: int) -> int:
    return MACHINE_KINDS[program.slot_kinds[slot]].bits // 8


def _temporaries(program: Program, entry: int) -> set[int]:
    rows = program.code[sorted(reachable(program, entry))]
    written = {int(row[2]) for row in rows if OPCODES[row[0]].writes}
    return {slot for slot in written if int(program.slot_class[slot]) == SLOT_TEMP}
