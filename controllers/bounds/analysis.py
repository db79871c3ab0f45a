"""Interval analysis of a law: the entry, and its result."""

import dataclasses
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from controllers import opcodes
from controllers.bounds.invariant import find_invariant
from controllers.bounds.listing import Listing, list_program
from controllers.bounds.ranges import Event
from controllers.bounds.variables import Variable, list_variables
from controllers.bounds.verdicts import Verdict, list_verdicts
from controllers.priorities import PRIORITIES, Priorities
from controllers.program import Program


@dataclass(frozen=True)
class Bounds:
    """What interval analysis says of a law. unreached: places that no run comes to."""

    variables: tuple[Variable, ...]
    verdicts: tuple[Verdict, ...]
    unreached: tuple[str, ...]

    @property
    def doubts(self) -> tuple[Verdict, ...]:
        """The verdicts that are not proofs."""
        return tuple(verdict for verdict in self.verdicts if not verdict.proved)


def find_bounds(
    program: Program,
    priorities: Priorities = PRIORITIES["interrupt"],
    inputs: Mapping[str, tuple[int, int]] | None = None,
) -> Bounds:
    """Value ranges and verdicts that hold in every run of a law, for every input and order of handlers.

    Args:
        program: the law.
        priorities: handler -> level, see `PRIORITIES`; a handler can interrupt code of a lower level.
        inputs: input port -> lowest and highest value, where it is known better than by the port's width.

    Raises:
        InputError: where `inputs` names no port or leaves its range.
    """
    listing = list_program(program, inputs or {})
    passes = find_invariant(listing, priorities).passes
    events = {pc: event for found in passes.values() for pc, event in found.events.items()}
    written = {handler: found.written for handler, found in passes.items()}
    return Bounds(
        tuple(list_variables(listing, written)),
        tuple(list_verdicts(listing, events)),
        tuple(_unreached(listing, events)),
    )


def rows(items: Iterable[Any]) -> list[dict[str, Any]]:
    """Verdicts, variables and the like as plain data; an infinite number becomes None, as JSON has none."""
    return [_plain(dataclasses.asdict(item)) for item in items]


def _plain(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _plain(value) for key, value in data.items()}
    if isinstance(data, (list, tuple)):
        return [_plain(value) for value in data]
    return None if isinstance(data, float) and math.isinf(data) else data


def _unreached(listing: Listing, events: Mapping[int, Event]) -> Iterator[str]:
    """Lines none of whose instructions is ever executed."""
    program = listing.program
    lines = program.lines.tolist()
    reached = {lines[pc] for pc in events}
    idle = (opcodes.RET, opcodes.JUMP)
    working = {line for line, row in zip(lines, listing.rows, strict=True) if row.op not in idle}
    return (program.place(line) for line in sorted(working - reached))
