"""Frames of the handlers: what saving registers takes, and how deep the stack gets.

Both come from the target's `Frame`, which knows two handlers: one that calls library routines and has to
keep values while they run, and one that calls none. Interrupts come one above the other as deep as the
structure of the firmware lets them.
"""

from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np

from controllers.graph import reachable
from controllers.opcodes import RET
from controllers.priorities import PRIORITIES
from controllers.program import Program
from targets.schema import Target
from targets.sections import Frame, SavedRegisters

Called = Mapping[str, frozenset[str]]
"""Handler -> library routines that it calls."""

_NEVER_LEFT: Final = ("on_start", "main_loop")  # part of the main program, which saves nothing for anybody


def frame_cycles(program: Program, target: Target, called: Called, structure: str) -> Any:
    """Cycles of each instruction that save registers (the first of a handler) and restore them (its returns),
    as far as interrupt entry and exit do not: int64[n, 3], columns as in `controllers.cost`."""
    cycles = np.zeros((len(program.code), 3), dtype=np.int64)
    in_entry = 0 if structure == "polled" else target.frame.in_entry_cycles
    for handler, entry in program.handlers.items():
        if handler in _NEVER_LEFT:
            continue
        saved = np.array(_saved(target.frame, called[handler]).cycles, dtype=np.int64)
        both = np.maximum(saved - in_entry, 0)
        returns = [pc for pc in reachable(program, entry) if program.code[pc, 0] == RET]
        cycles[returns] += both // 2
        cycles[entry] += both - both // 2
    return cycles


def stack_bytes(program: Program, target: Target, called: Called, structure: str) -> int:
    """The deepest that the stack gets: the main program, and a handler of each level above it."""
    frame, levels = target.frame, PRIORITIES[structure]
    deepest = {name: _handler_bytes(target, called[name]) for name in program.handlers}
    main = frame.call_bytes + max(depth for name, depth in deepest.items() if name in _NEVER_LEFT)
    above: dict[int, int] = {}
    for name, depth in deepest.items():
        if name not in _NEVER_LEFT:
            level = levels.get(name, 0)
            above[level] = max(above.get(level, 0), depth)
    begun = frame.call_bytes if structure == "polled" else frame.interrupt_bytes
    return main + sum(begun + depth for depth in above.values())


def called_routines(program: Program, by_instruction: Iterable[frozenset[str]]) -> Called:
    """Library routines of each handler, from those of each instruction."""
    routines = list(by_instruction)
    return {
        handler: frozenset[str]().union(*(routines[pc] for pc in reachable(program, entry)))
        for handler, entry in program.handlers.items()
    }


def _saved(frame: Frame, routines: frozenset[str]) -> SavedRegisters:
    return frame.calling if routines else frame.leaf


def _handler_bytes(target: Target, routines: frozenset[str]) -> int:
    """Stack of a handler and the deepest routine that it calls, from where it begins."""
    below = max((target.routines[name].stack_bytes for name in routines), default=0)
    return _saved(target.frame, routines).stack_bytes + below
