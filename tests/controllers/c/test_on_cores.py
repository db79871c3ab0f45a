"""Exported C on the cores it is for, run by instruction: int of 16 bits, no divider, no float unit."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controllers import Binding, law_path
from controllers.c.hardware import function_of, port_type, used_ports
from controllers.c.law_file import file_stem, shared_symbols
from controllers.c.vectors import random_calls, static_kinds
from controllers.kinds import Kind
from controllers.play import READ, WRITTEN, Calls
from controllers.ports import OUT_PORTS
from controllers.program import Program
from targets.isa import compile_c, load
from tests.controllers.c import laws
from tests.controllers.c.harness import exported
from tests.controllers.support import law_text, make_binding
from tests.targets.isa.support import skip_without_tools

# `static` is taken away so that variables which only a debugger reads are kept; the arithmetic is the same
OPTIONS = ("-Os", "-Dstatic=", "-fgnu89-inline", "-ffp-contract=off")
CORES = ("avr25", "avr5", "m0", "rv32ec")
SHORT = {"u8": "uint8_t", "u16": "uint16_t", "u32": "uint32_t"}
KIND_OF = {c: kind for kind, c in SHORT.items()}


class Target:
    """An exported law in a core, with the hardware played from vectors."""

    def __init__(self, folder: Path, program: Program, core: str) -> None:
        skip_without_tools(core)
        reads, writes = used_ports(program)
        stubs = {function_of(p.name): f"{port_type(p, program)} {function_of(p.name)}(void)" for p in reads}
        stubs |= {
            function_of(p.name): f"void {function_of(p.name)}({port_type(p, program)} value)" for p in writes
        }
        (folder / core).mkdir()
        source = folder / f"{file_stem(program)}.c"
        self.machine = load(compile_c([source], core, folder / core, options=OPTIONS, stubs=stubs), core)
        self.program = program
        self.answers: list[int] = []
        self.log: list[tuple[str, int]] = []
        for port in reads:
            kind = KIND_OF[port_type(port, program)]
            self.machine.stub(function_of(port.name), self._answer, signature=f"-> {kind}")
        for port in writes:
            kind = KIND_OF[port_type(port, program)]
            self.machine.stub(function_of(port.name), self._writer(port.name), signature=f"{kind} ->")

    def _answer(self) -> int:
        return self.answers.pop(0)

    def _writer(self, name: str) -> Callable[[int], None]:
        return lambda value: self.log.append((name, value))

    def _places(self) -> Mapping[str, tuple[str, int]]:
        """Static variable or element -> C variable and index."""
        names = shared_symbols(self.program).statics
        places = {}
        for name, slot in self.program.statics.items():
            variable, _, index = names[slot].partition("[")
            places[name] = (variable, int(index.rstrip("]") or 0))
        return places

    def call(self, calls: Calls, row: int) -> tuple[list[Any], list[tuple[str, int]]]:
        """Play one vector; the static variables after it, and what was written to the hardware."""
        kinds, places = static_kinds(self.program), list(self._places().values())
        for column, (kind, (variable, index)) in enumerate(zip(kinds, places, strict=True)):
            cells = calls.before_real if kind.is_float else calls.before
            self.machine.write(variable, kind.name, cells[row, column].item(), index)
        self.answers = [int(value) for value in calls.inputs[row, : calls.counts[row, READ]]]
        self.log = []
        names = {pc: name for name, pc in self.program.handlers.items()}
        self.machine.call(names[int(calls.entries[row])])
        after = [
            self.machine.read(variable, kind.name, index)
            for kind, (variable, index) in zip(kinds, places, strict=True)
        ]
        return after, self.log


def check_on_core(folder: Path, law: Path, binding: Binding, core: str, count: int) -> None:
    """Every call leaves the variables and makes the writes that the machine of the Program does."""
    program = exported(folder, law, binding, vectors=1)
    target, calls = Target(folder, program, core), random_calls(program, count, seed=6)
    kinds = static_kinds(program)
    for row in range(count):
        after, log = target.call(calls, row)
        wanted = [expected(kind, calls, row, column) for column, kind in enumerate(kinds)]
        assert dict(zip(program.statics, map(plain, after), strict=True)) == dict(
            zip(program.statics, map(plain, wanted), strict=True)
        )
        written = int(calls.counts[row, WRITTEN])
        ports = [OUT_PORTS[int(port)].name for port in calls.ports[row, :written]]
        assert log == list(zip(ports, map(int, calls.values[row, :written]), strict=True))
        assert target.answers == []


def expected(kind: Kind, calls: Calls, row: int, column: int) -> float:
    return (calls.after_real if kind.is_float else calls.after)[row, column].item()


def plain(value: float) -> float | str:
    """NaN compared as itself."""
    return "NaN" if isinstance(value, float) and np.isnan(value) else value


OPERATIONS = [
    *((laws.integer_operations, kind) for kind in laws.INTEGERS),
    *((laws.fixed_operations, kind) for kind in laws.FIXED),
    *((laws.comparisons, kind) for kind in laws.INTEGERS),
    *((laws.wide_operations, kind) for kind in ("u64", "i64")),
]
NAMES = [f"{make.__name__} {kind}" for make, kind in OPERATIONS]


def check_operations(folder: Path, make: Callable[[str], laws.Law], kind: str, core: str, count: int) -> None:
    declarations, body = make(kind)
    law = folder / "try.py"
    law.write_text(law_text(body, declarations))
    check_on_core(folder / "c", law, make_binding("i32"), core, count)


@pytest.mark.parametrize(("make", "kind"), OPERATIONS, ids=NAMES)
def test_operations_where_int_has_16_bits(tmp_path: Path, make: Callable[[str], laws.Law], kind: str) -> None:
    check_operations(tmp_path, make, kind, "avr5", 8)


@pytest.mark.slow
@pytest.mark.long
@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize(("make", "kind"), OPERATIONS, ids=NAMES)
def test_operations_on_a_core_at_length(
    tmp_path: Path, make: Callable[[str], laws.Law], kind: str, core: str
) -> None:
    check_operations(tmp_path, make, kind, core, 200)


LAWS = [("step_trim", "i16"), ("step_trim_background", "i32"), ("duty_pi", "q24.8"), ("duty_pi", "f32")]


@pytest.mark.parametrize("core", CORES)
@pytest.mark.parametrize(("law", "arithmetic"), LAWS)
def test_law_on_a_core(tmp_path: Path, law: str, arithmetic: str, core: str) -> None:
    check_on_core(tmp_path, law_path(law), make_binding(arithmetic), core, 60)
