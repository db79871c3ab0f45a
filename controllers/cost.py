"""The linker: what a Program costs on a target, in cycles, flash and RAM, and whether it fits."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from controllers.cost_rules import Item, cost_items, instruction_at
from controllers.graph import longest_routes, reachable
from controllers.kinds import MACHINE_KINDS
from controllers.opcodes import OPCODES
from controllers.program import SLOT_STATIC, SLOT_TEMP, Program
from targets.schema import Target

MINIMUM: Final = 0
TYPICAL: Final = 1
MAXIMUM: Final = 2


@dataclass(frozen=True, eq=False)
class LinkedProgram:
    """A Program with its price on one target.

    cycles: int64[n, 3], CPU clock cycles of each instruction, columns MINIMUM, TYPICAL, MAXIMUM.
    worst_case_cycles, typical_cycles: handler -> longest path at maximum and at typical costs, without
    interrupt entry and exit. flash_bytes, ram_bytes: with the target's fixed parts. reason: what does not
    fit, or how much is used.
    """

    program: Program
    target: str
    cycles: Any
    worst_case_cycles: Mapping[str, int]
    typical_cycles: Mapping[str, int]
    flash_bytes: int
    ram_bytes: int
    fits: bool
    reason: str


def link(program: Program, target: Target) -> LinkedProgram:
    """Price every instruction of `program` on `target` and add up handlers and memory."""
    items = [tuple(cost_items(instruction_at(program, pc))) for pc in range(len(program.code))]
    cycles = np.array([_cycles(row, target) for row in items], dtype=np.int64)
    flash_bytes = _flash_bytes(items, target)
    ram_bytes = target.memory.fixed_ram_bytes + static_bytes(program) + temporary_bytes(program)
    lacks = [
        f"needs {needed:,} bytes of {memory}, {target.name} has {available:,}"
        for memory, needed, available in _memories(target, flash_bytes, ram_bytes)
        if needed > available
    ]
    used = [f"{n:,} of {m:,} bytes of {memory}" for memory, n, m in _memories(target, flash_bytes, ram_bytes)]
    return LinkedProgram(
        program=program,
        target=target.name,
        cycles=cycles,
        worst_case_cycles=_longest(program, cycles[:, MAXIMUM]),
        typical_cycles=_longest(program, cycles[:, TYPICAL]),
        flash_bytes=flash_bytes,
        ram_bytes=ram_bytes,
        fits=not lacks,
        reason="; ".join(lacks) or f"uses {' and '.join(used)}",
    )


def _longest(program: Program, cost: Any) -> dict[str, int]:
    return {handler: route.cost for handler, route in longest_routes(program, cost).items()}


def _memories(target: Target, flash_bytes: int, ram_bytes: int) -> tuple[tuple[str, int, int], ...]:
    memory = target.memory
    return (("flash", flash_bytes, memory.flash_bytes), ("RAM", ram_bytes, memory.ram_bytes))


def _cycles(items: tuple[Item, ...], target: Target) -> tuple[int, int, int]:
    costs = [(target.costs[key], count) for key, count in items]
    return (
        sum(cost.cycles_min * count for cost, count in costs),
        sum(cost.cycles_typical * count for cost, count in costs),
        sum(cost.cycles_max * count for cost, count in costs),
    )


def _flash_bytes(items: list[tuple[Item, ...]], target: Target) -> int:
    """In-line bytes of every instruction, each library routine once, and the fixed part."""
    used = [(target.costs[key], count) for row in items for key, count in row if count]
    inline_bytes = sum(cost.flash_bytes * count for cost, count in used)
    routines = {cost.routine for cost, _ in used if cost.routine is not None}
    return target.memory.fixed_flash_bytes + inline_bytes + sum(target.routines[name] for name in routines)


def static_bytes(program: Program) -> int:
    """RAM of the static variables."""
    return sum(
        _slot_bytes(program, slot)
        for slot in range(len(program.ints))
        if int(program.slot_class[slot]) == SLOT_STATIC
    )


def temporary_bytes(program: Program) -> int:
    """RAM of the handler with the most temporaries, as if none were kept in a register: an upper estimate."""
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
