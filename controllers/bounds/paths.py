"""The longest and the shortest way through every handler, named by source lines."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from controllers.cost import MAXIMUM, MINIMUM, LinkedProgram
from controllers.graph import Route, longest_routes, shortest_routes
from controllers.program import Program


@dataclass(frozen=True)
class Path:
    """One way through a handler. cycles: CPU clock cycles without entry and exit of the interrupt. pcs: its
    instructions in order. lines: its lines in order, runs of them as (first, last). places: the same in
    words."""

    handler: str
    cycles: int
    pcs: tuple[int, ...]
    lines: tuple[tuple[int, int], ...]
    places: tuple[str, ...]


def worst_paths(linked: LinkedProgram) -> dict[str, Path]:
    """Handler -> longest path over the graph of the Program at maximal costs; exact, not a sample."""
    routes = longest_routes(linked.program, linked.cycles[:, MAXIMUM])
    return {handler: _path(linked.program, handler, route) for handler, route in routes.items()}


def best_paths(linked: LinkedProgram) -> dict[str, Path]:
    """Handler -> shortest path at minimal costs."""
    routes = shortest_routes(linked.program, linked.cycles[:, MINIMUM])
    return {handler: _path(linked.program, handler, route) for handler, route in routes.items()}


def _path(program: Program, handler: str, route: Route) -> Path:
    lines = tuple(_runs(program, [int(program.lines[pc]) for pc in route.pcs]))
    places = tuple(program.place(first, last) for first, last in lines)
    return Path(handler, route.cost, route.pcs, lines, places)


def _runs(program: Program, lines: list[int]) -> Iterator[tuple[int, int]]:
    """Runs of lines that follow each other, with nothing but blanks and comments between them."""
    coded = sorted({int(line) for line in program.lines})
    following = dict(pairwise(coded))
    first = last = lines[0]
    for line in lines[1:]:
        follows = following.get(last) == line and program.file_of(line) == program.file_of(last)
        if line != last and not follows:
            yield first, last
            first = line
        last = line
    yield first, last
