"""A Program as the analysis reads it: rows of plain Python values, ranges of its ports and constants."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

from controllers.binding import Binding
from controllers.bounds.intervals import Range, Whole, exactly, full_range
from controllers.kinds import MACHINE_KINDS, Kind
from controllers.ports import IN_PORTS, OUT_PORTS, Port
from controllers.program import SLOT_CONST, SLOT_STATIC, Program
from targets.errors import Fault, InputError

_TOPS: Final[dict[str, Callable[[Binding], int]]] = {
    "timer_top": lambda binding: (1 << binding.timer_bits) - 1,
    "duty_top": lambda binding: binding.duty_top,
}


class Row(NamedTuple):
    """One instruction; columns as in `opcodes`, `kind` resolved."""

    op: int
    kind: Kind
    dst: int
    a: int
    b: int
    extra: int


@dataclass(frozen=True)
class Listing:
    """`program`, and `inputs`: the range of each of `IN_PORTS`."""

    program: Program
    inputs: tuple[Range, ...]

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        """Every instruction."""
        return tuple(Row(op, MACHINE_KINDS[kind], *rest) for op, kind, *rest in self.program.code.tolist())

    @cached_property
    def slot_kinds(self) -> tuple[Kind, ...]:
        """Machine kind of every slot."""
        return tuple(MACHINE_KINDS[kind] for kind in self.program.slot_kinds.tolist())

    @cached_property
    def image(self) -> tuple[Range, ...]:
        """Initial value of every slot."""
        cells = zip(self.program.ints.tolist(), self.program.floats.tolist(), strict=True)
        # an image has one cell even where there is no slot
        pairs = zip(cells, self.slot_kinds, strict=False)
        return tuple(exactly(real if kind.is_float else whole, kind) for (whole, real), kind in pairs)

    @cached_property
    def statics(self) -> tuple[int, ...]:
        """Slots of the static variables."""
        return tuple(n for n, c in enumerate(self.program.slot_class.tolist()) if c == SLOT_STATIC)

    @cached_property
    def at_entry(self) -> tuple[Range, ...]:
        """Constants as they are; what other slots hold when a handler begins is anything of their kind."""
        classes = self.program.slot_class.tolist()
        return tuple(
            value if slot_class == SLOT_CONST else full_range(kind)
            for value, slot_class, kind in zip(self.image, classes, self.slot_kinds, strict=True)
        )

    @cached_property
    def outputs(self) -> tuple[Whole, ...]:
        """Legal values of each of `OUT_PORTS`."""
        return tuple(port_range(port, self.program.binding) for port in OUT_PORTS)


def port_range(port: Port, binding: Binding) -> Whole:
    """Legal values of a port."""
    return Whole(0, port.top if isinstance(port.top, int) else _TOPS[port.top](binding))


def list_program(program: Program, inputs: Mapping[str, tuple[int, int]]) -> Listing:
    """The Program with its input ranges; `inputs`: port -> lowest and highest value, tighter than the port's.

    Raises:
        InputError: where a name is no input, or a range is empty or leaves that of the port.
    """
    faults = list(_input_faults(inputs, program.binding))
    if faults:
        raise InputError(faults)
    ranges = {port.name: port_range(port, program.binding) for port in IN_PORTS}
    ranges.update({name: Whole(*ends) for name, ends in inputs.items()})
    return Listing(program, tuple(ranges[port.name] for port in IN_PORTS))


def _input_faults(inputs: Mapping[str, tuple[int, int]], binding: Binding) -> list[Fault]:
    known = {port.name: port_range(port, binding) for port in IN_PORTS}
    faults = []
    for name, (low, high) in inputs.items():
        if name not in known:
            faults.append(Fault(f"inputs.{name}", "is an input port", name, f"use {', '.join(known)}"))
        elif not known[name].low <= low <= high <= known[name].high:
            rule = f"lies in {known[name].low}..{known[name].high}, low end first"
            faults.append(Fault(f"inputs.{name}", rule, f"{low}..{high}", "correct the range"))
    return faults
