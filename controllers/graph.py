"""The control-flow graph of a Program: jumps go forward only, so each handler is a graph without cycles."""

from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from controllers.opcodes import JUMP, OPCODES, RET
from controllers.program import Program


class Route(NamedTuple):
    """One way through a handler: its cost, and the instructions in the order of execution."""

    cost: int
    pcs: tuple[int, ...]


def successors(program: Program, pc: int) -> Iterator[int]:
    """Where control can go after instruction `pc`."""
    op = int(program.code[pc, 0])
    if op not in (RET, JUMP):
        yield pc + 1
    if OPCODES[op].jumps:
        yield int(program.code[pc, 5])


def reachable(program: Program, entry: int) -> set[int]:
    """Every pc that can be executed from `entry`."""
    reached: set[int] = set()
    waiting = [entry]
    while waiting:
        pc = waiting.pop()
        if pc not in reached:
            reached.add(pc)
            waiting.extend(successors(program, pc))
    return reached


def longest_routes(program: Program, cost: Any) -> dict[str, Route]:
    """Handler -> the route of greatest cost; cost: int64[n], cost of each instruction.

    Exact over the graph: one pass from the end suffices. Of routes that cost the same, the one that falls
    through first is given.
    """
    return _extreme_routes(program, cost, lambda new, best: new > best)


def shortest_routes(program: Program, cost: Any) -> dict[str, Route]:
    """Handler -> the route of least cost, as `longest_routes`."""
    return _extreme_routes(program, cost, lambda new, best: new < best)


def _extreme_routes(program: Program, cost: Any, is_better: Callable[[int, int], bool]) -> dict[str, Route]:
    total = [0] * len(cost)
    following: list[int | None] = [None] * len(cost)
    for pc in reversed(range(len(cost))):
        for target in successors(program, pc):
            if target <= pc:
                raise AssertionError(f"jump backwards at pc {pc}")
            best = following[pc]
            if best is None or is_better(total[target], total[best]):
                following[pc] = target
        after = following[pc]
        total[pc] = int(cost[pc]) + (0 if after is None else total[after])
    return {
        handler: Route(total[entry], tuple(_follow(following, entry)))
        for handler, entry in program.handlers.items()
    }


def _follow(following: list[int | None], entry: int) -> Iterator[int]:
    pc: int | None = entry
    while pc is not None:
        yield pc
        pc = following[pc]
