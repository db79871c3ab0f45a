"""What a compiled control law is: flat typed arrays that the machine, the linker and the C writer read."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np

from controllers import opcodes
from controllers.binding import Binding
from controllers.faults import FAULT_NAMES

HANDLERS: Final = ("on_start", "on_hall_edge", "on_step_timer", "on_control_tick", "main_loop")
ABSENT: Final = -1
TOLD_DIGITS: Final = 6
"""Digits of a parameter in what a user reads, those of the format `g`."""

COLUMNS: Final = ("op", "kind", "dst", "a", "b", "extra")

SLOT_STATIC: Final = 0
SLOT_CONST: Final = 1
SLOT_TEMP: Final = 2


class Rounding(NamedTuple):
    """A parameter that the chosen format cannot hold exactly; `asked` and `stored` are in real units."""

    parameter: str
    asked: float
    stored: float
    unit: str

    def shows(self, digits: int = TOLD_DIGITS) -> bool:
        """Whether the two differ where this many digits of them are told."""
        return f"{self.asked:.{digits}g}" != f"{self.stored:.{digits}g}"


@dataclass(frozen=True, eq=False)
class Program:
    """A control law compiled for one arithmetic, timer and motor: those of `binding`.

    code: int32[n, 6], C-contiguous, columns `COLUMNS`; see `opcodes`. lines: int32[n], line of `source`
    (from 1). ints, floats: int64[slots] and float64[slots], the initial slot images (copy them before a run);
    which of the two holds a slot follows from its kind. slot_kinds: int8[slots], row of
    `kinds.MACHINE_KINDS`; slot_fraction_bits: int8[slots], not 0 for fixed point. slot_class: int8[slots],
    SLOT_STATIC, SLOT_CONST or SLOT_TEMP. slot_names: name of each static or local variable, of an element as
    "name[3]", "" for the others. arrays: array or table -> first slot and number of elements; tables are
    SLOT_CONST. statics: static variable or element -> slot. handlers: handler -> first pc, only those the law
    defines. rounding: parameters not held exactly. fitted: parameters taken from what fits the motor, by
    key, in their units. source: lines of the law file and of those it derives from;
    files: (file name, lines above it in `source`). sensors: Hall sensors that the law is written for, 1 or 3.
    """

    name: str
    summary: str
    arithmetic: str
    binding: Binding
    code: Any
    lines: Any
    ints: Any
    floats: Any
    slot_kinds: Any
    slot_fraction_bits: Any
    slot_class: Any
    slot_names: tuple[str, ...]
    arrays: Mapping[str, tuple[int, int]]
    statics: Mapping[str, int]
    handlers: Mapping[str, int]
    rounding: tuple[Rounding, ...]
    fitted: Mapping[str, float]
    source: tuple[str, ...]
    files: tuple[tuple[str, int], ...]
    sensors: int

    def file_of(self, line: int) -> tuple[str, int]:
        """The entry of `files` that a line of `lines` belongs to."""
        return max((f for f in self.files if f[1] < line), key=lambda f: f[1])

    def place(self, line: int, last: int | None = None) -> str:
        """Where a line of `lines` stands: "line 12" of the law's own file, else "line 12 of base.py"; with
        `last`, of the same file: "lines 12-15"."""
        name, before = self.file_of(line)
        many = last is not None and last != line
        numbers = f"lines {line - before}-{(last or line) - before}" if many else f"line {line - before}"
        return numbers if before == 0 else f"{numbers} of {name}"

    @property
    def entries(self) -> Any:
        """First pc of each of `HANDLERS`, int64[5]; ABSENT where the law has no such handler."""
        return np.array([self.handlers.get(name, ABSENT) for name in HANDLERS], dtype=np.int64)

    def new_faults(self) -> Any:
        """Zeroed fault counters, int64[n, 4], columns `machine.FAULT_NAMES`."""
        return np.zeros((len(self.code), len(FAULT_NAMES)), dtype=np.int64)


def reads(program: Program, port: int) -> bool:
    """Whether a program reads an input port, one of `ports.IN_...`."""
    return any(int(row[0]) == opcodes.IN and int(row[5]) == port for row in program.code)
