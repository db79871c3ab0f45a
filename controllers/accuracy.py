"""How close the estimate comes to compiled code: `python -m controllers.accuracy` prints the table as a page.

Every shipped law in four arithmetics on five cores: flash, and the typical and worst cycles of every handler.
Typical: mean over random calls, predicted along the ways they take. Worst: the slowest call that a search
finds, against the greatest prediction for the ways that were tried; `controllers.compiled` says how.
"""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from controllers.binding import Binding
from controllers.catalogue import law_names, law_path
from controllers.compiled import measure_law
from controllers.cost import link
from controllers.lower import compile_law
from controllers.program import SLOT_STATIC, Program
from controllers.registers import read_slots
from targets import InputError, load_target

CORES: Final = ("m0", "m4f", "rv32imc", "avr5", "avr25")
ARITHMETICS: Final = ("i32", "q", "f32", "f64")
CALLS: Final = 24
TYPICAL: Final = "typical"
WORST: Final = "worst"
FLASH: Final = "flash"

_FORMATS: Final = ("q15.16", "q19.12")
"""`q` is the first of these that holds the constants of the law."""
_NO_DOUBLE: Final = ("avr5", "avr25")
"""double has 32 bits there, so that the exported C refuses to compile f64."""


class Comparison(NamedTuple):
    """One number, predicted and measured. handler: "" for flash; number: flash [bytes], typical or worst
    [CPU clock cycles]."""

    law: str
    arithmetic: str
    core: str
    handler: str
    number: str
    predicted: float
    measured: float

    @property
    def error(self) -> float:
        """Predicted to measured, less 1."""
        return self.predicted / self.measured - 1

    @property
    def case(self) -> str:
        """What it is of, in words."""
        return " ".join(
            word for word in (self.law, self.arithmetic, self.core, self.handler, self.number) if word
        )


def comparisons(law: str, arithmetic: str, core: str) -> Iterator[Comparison]:
    """Every number of a law on a core; none where the exported C does not compile there.

    Raises InputError where the compiler or the extra `measure` is missing.
    """
    if arithmetic == "f64" and core in _NO_DOUBLE:
        return
    target = load_target(core)
    linked = link(program_of(law, arithmetic), target)
    found = measure_law(linked, target, CALLS)
    if found.wrong:
        raise AssertionError(f"{law} in {arithmetic} on {core}: {found.wrong} calls differ from the machine")
    head = (law, arithmetic, core)
    flash_bytes = linked.flash_bytes - target.memory.fixed_flash_bytes
    yield Comparison(*head, "", FLASH, flash_bytes, found.flash_bytes)
    for handler, cycles in found.handlers.items():
        yield Comparison(*head, handler, TYPICAL, cycles.typical, cycles.mean)
        yield Comparison(*head, handler, WORST, cycles.maximum, cycles.slowest)


def program_of(law: str, arithmetic: str) -> Program:
    """A shipped law at a usual timer and PWM."""
    formats = _FORMATS if arithmetic == "q" else (arithmetic,)
    for number_format in formats[:-1]:
        try:
            return compile_law(law_path(law), _binding(number_format))
        except InputError:
            continue
    return compile_law(law_path(law), _binding(formats[-1]))


def _binding(arithmetic: str) -> Binding:
    return Binding(
        arithmetic=arithmetic,
        timer_bits=16,
        tick_Hz=2e6,
        pole_pairs=2,
        duty_top=1000,
        control_period_s=0.001,
        parameters={},
    )


def never_written(program: Program) -> list[str]:
    """Static variables that handlers read and none writes: to the compiler they are constants, and it leaves
    out what they switch off."""
    read = {slot for pc in range(len(program.code)) for slot in read_slots(program, pc)}
    written = {int(row[2]) for row in program.code}
    elements = {s for first, length in program.arrays.values() for s in range(first, first + length)}
    return [
        name
        for name, slot in program.statics.items()
        if program.slot_class[slot] == SLOT_STATIC and slot in read - elements and slot not in written
    ]


def page(rows: Sequence[Comparison]) -> str:
    """The table as Markdown: a line for each law, arithmetic and core."""
    lines = [
        "# How close the estimate comes to compiled code",
        "",
        "Written by `python -m controllers.accuracy`: predicted to measured, less 1. Measured is the",
        "exported C, -Os, executed instruction by instruction (`tickspin cost LAW --measure`). Flash:",
        "without start-up code. Handlers: typical / worst. Typical: mean over random calls, predicted along",
        "the ways they take. Worst: the slowest call that a search finds, against the greatest prediction",
        "for the ways it tried.",
        "f64 is missing on AVR, where `double` has 32 bits and the exported C refuses to compile.",
        "",
        "| law | arithmetic | core | flash | handlers |",
        "|---|---|---|---|---|",
    ]
    for key in dict.fromkeys((row.law, row.arithmetic, row.core) for row in rows):
        lines.append(_line(key, [row for row in rows if row[:3] == key]))
    return "\n".join(lines) + "\n"


def _line(key: tuple[str, str, str], rows: list[Comparison]) -> str:
    errors = {(row.handler, row.number): f"{row.error:+.0%}" for row in rows}
    handlers = dict.fromkeys(row.handler for row in rows if row.handler)
    cells = [f"{name} {errors[name, TYPICAL]} / {errors[name, WORST]}" for name in handlers]
    return f"| {' | '.join(key)} | {errors['', FLASH]} | {', '.join(cells)} |"


def all_comparisons() -> Iterator[Comparison]:
    """Every number of every shipped law that the compiler takes as it is written."""
    for law in law_names():
        for arithmetic in ARITHMETICS:
            for core in CORES if not never_written(program_of(law, arithmetic)) else ():
                yield from comparisons(law, arithmetic, core)


if __name__ == "__main__":
    print(page(list(all_comparisons())), end="")
