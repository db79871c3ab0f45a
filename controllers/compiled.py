"""A law on its real cores: the exported C is compiled, and its handlers are executed instruction by instruction.

A port is a volatile variable that is read and written in line, as a peripheral register is. Every call is
checked: what the handler writes to the ports and leaves in the static variables is what the machine says.
Needs the cross-compilers and the extra `measure`, see `targets.isa`.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np

from controllers import machine, opcodes
from controllers.c.hardware import function_of, port_type, used_ports
from controllers.c.header import header_text
from controllers.c.law_file import file_stem, law_text, shared_symbols
from controllers.c.vectors import random_calls, static_kinds
from controllers.cost import MAXIMUM, TYPICAL, LinkedProgram
from controllers.kinds import MACHINE_KINDS
from controllers.play import READ, WRITTEN, Calls
from controllers.ports import OUT_PORTS, Port
from controllers.program import Program
from targets.isa import Machine, compile_c, load

OPTIONS: Final = ("-Os",)
SEED: Final = 1
_POOL: Final = 50
"""The calls are chosen from so many times their number: see `_choose`."""


@dataclass(frozen=True)
class MeasuredHandler:
    """Cycles of one handler over the calls of a measurement, without saving registers and returning.

    cycles: int64[calls], measured. typical, maximum: int64[calls], predicted along the same ways through the
    handler. frame_cycles: the most that saving, restoring and the return took.
    """

    cycles: Any
    typical: Any
    maximum: Any
    frame_cycles: int

    @property
    def typical_error(self) -> float:
        """Mean predicted at typical costs to mean measured, less 1."""
        return float(self.typical.mean() / self.cycles.mean()) - 1

    @property
    def worst_error(self) -> float:
        """Greatest predicted at maximum costs to greatest measured, less 1."""
        return float(self.maximum.max() / self.cycles.max()) - 1


@dataclass(frozen=True)
class Measurement:
    """A compiled law: handler -> cycles; flash [bytes] with initial values and library routines, RAM [bytes] of
    its static variables; neither holds start-up code or stack. wrong: calls that differ from the machine."""

    core: str
    handlers: dict[str, MeasuredHandler]
    flash_bytes: int
    ram_bytes: int
    wrong: int


def measure_law(linked: LinkedProgram, count: int, seed: int = SEED) -> Measurement:
    """Compile the program of `linked` for the core of its target and call each handler up to `count` times.

    The calls start from random states and inputs; those that count a fault are left out, for nobody would
    ship them. Raises InputError where the target is not a modelled core, or compiler or extra is missing.
    """
    program, core = linked.program, linked.target
    calls, rows, costs = _choose(linked, count, seed)
    with TemporaryDirectory() as folder:
        device = load(_compile(program, core, Path(folder)), core)
        bench = _Bench(program, device)
        wrong, results = 0, {name: [] for name in program.handlers}  # type: dict[str, list[tuple[int, ...]]]
        for row, (typical, maximum) in zip(rows, costs, strict=True):
            handler = next(n for n, pc in program.handlers.items() if pc == calls.entries[row])
            cycles, frame_cycles, agrees = bench.call(handler, calls, row)
            wrong += not agrees
            results[handler].append((cycles - frame_cycles, typical, maximum, frame_cycles))
    ports_bytes = sum(_port_bytes(port, program) for side in used_ports(program) for port in side)
    return Measurement(
        core,
        {name: _handler(np.array(found)) for name, found in results.items() if found},
        device.image.flash_bytes - (ports_bytes if core in _APART_OPTIONS else 0),
        device.image.ram_bytes - ports_bytes,
        wrong,
    )


def _handler(found: Any) -> MeasuredHandler:
    return MeasuredHandler(found[:, 0], found[:, 1], found[:, 2], int(found[:, 3].max()))


def _choose(linked: LinkedProgram, count: int, seed: int) -> tuple[Calls, list[int], list[tuple[int, int]]]:
    """Calls, rows of them to measure, and the predicted (typical, maximum) cycles of each.

    Per handler half are taken as they come, and half are the longest by prediction among many more: few random
    states reach the longest way.
    """
    program = linked.program
    calls = random_calls(program, _POOL * count * len(program.handlers), seed)
    columns = _columns(linked)
    chosen: dict[int, tuple[int, int]] = {}
    for entry in program.handlers.values():
        rows = np.flatnonzero((calls.entries == entry) & (calls.faulty == 0))[: 4 * count + 200]
        costs = {int(row): (cost_of(program, columns[0], calls, row), cost_of(program, columns[1], calls, row))
                 for row in rows}  # fmt: skip
        first = list(costs)[: count - count // 2]
        longest = sorted(set(costs) - set(first), key=lambda row: costs[row], reverse=True)[: count // 2]
        chosen |= {row: costs[row] for row in (*first, *longest)}
    return calls, list(chosen), list(chosen.values())


def _columns(linked: LinkedProgram) -> tuple[Any, Any]:
    """Typical and maximum costs; ports at typical costs in both, for the modelled cores have no bus to wait for."""
    is_port = np.isin(linked.program.code[:, 0], (opcodes.IN, opcodes.OUT))
    typical, maximum = (np.ascontiguousarray(linked.cycles[:, level]) for level in (TYPICAL, MAXIMUM))
    return typical, np.where(is_port, typical, maximum)


def cost_of(program: Program, cost: Any, calls: Calls, row: int) -> int:
    """Sum of the costs of the instructions that a call executes."""
    ints, floats = program.ints.copy(), program.floats.copy()
    for column, slot in enumerate(program.statics.values()):
        ints[slot], floats[slot] = calls.before[row, column], calls.before_real[row, column]
    faults, pc, total, read = program.new_faults(), int(calls.entries[row]), 0, 0
    while True:
        pc, cycles = machine.run(program.code, cost, ints, floats, faults, pc)
        total += cycles
        op = program.code[pc, 0]
        if op == opcodes.RET:
            return int(total)
        if op == opcodes.IN:
            ints[program.code[pc, 2]] = calls.inputs[row, read]
            read += 1
        pc += 1


def _compile(program: Program, core: str, folder: Path) -> Path:
    stem = file_stem(program)
    sources = {
        f"{stem}.h": header_text(program, (), "/* measured */"),
        f"{stem}.c": law_text(program, "/* measured */"),
        "registers.h": _registers(program),
        "registers.c": _register_storage(program, core),
    }
    options = (*OPTIONS, "-include", str(folder / "registers.h"), *_APART_OPTIONS.get(core, ()))
    return compile_c(sources, core, folder, options=options)


_APART: Final = '__attribute__((section(".ports"))) '
_APART_OPTIONS: Final = {core: ("-Wl,--section-start=.ports=0x20003000",) for core in ("rv32imc", "rv32ec")}
"""The static variables lie near the global pointer of these cores, peripheral registers never do."""


def _registers(program: Program) -> str:
    """The hardware functions as accesses in line."""
    read, written = used_ports(program)
    lines = ["#include <stdint.h>"]
    for port in read:
        kind, name = port_type(port, program), function_of(port.name)
        lines.append(f"extern volatile {kind} {_register(port)};")
        lines.append(f"static inline {kind} {name}(void) {{ return {_register(port)}; }}")
    for port in written:
        kind, name = port_type(port, program), function_of(port.name)
        lines.append(f"extern volatile {kind} {_register(port)};")
        lines.append(f"static inline void {name}({kind} value) {{ {_register(port)} = value; }}")
    return "\n".join(lines) + "\n"


def _register(port: Port) -> str:
    return f"port_{port.name}"


def _register_storage(program: Program, core: str) -> str:
    place = _APART if core in _APART_OPTIONS else ""
    ports = [port for side in used_ports(program) for port in side]
    return "#include <stdint.h>\n" + "".join(
        f"{place}volatile {port_type(port, program)} {_register(port)};\n" for port in ports
    )


def _port_kind(port: Port, program: Program) -> str:
    return f"u{program.binding.timer_bits}" if port.kind == "ticks" else port.kind


def _port_bytes(port: Port, program: Program) -> int:
    return int(_port_kind(port, program)[1:]) // 8


class _Bench:
    """A core with a compiled law: ports scripted, static variables set and compared."""

    def __init__(self, program: Program, device: Machine) -> None:
        self.program, self.device = program, device
        self.inputs: list[int] = []
        self.outputs: list[tuple[str, int]] = []
        read, written = used_ports(program)
        for port in read:
            device.watch(_register(port), _port_kind(port, program), on_read=lambda: self.inputs.pop(0))
        for port in written:
            device.watch(_register(port), _port_kind(port, program), on_write=self._logger(port.name))
        symbols = shared_symbols(program)
        self.places = [
            _place(symbols.statics[slot], kind.name)
            for slot, kind in zip(program.statics.values(), static_kinds(program), strict=True)
        ]

    def _logger(self, name: str) -> Any:
        return lambda value: self.outputs.append((name, int(value)))

    def call(self, handler: str, calls: Calls, row: int) -> tuple[int, int, bool]:
        """Cycles, cycles of the frame in them, and whether everything is as the machine says."""
        whole, real = calls.before[row], calls.before_real[row]
        for (name, kind, index), integer, number in zip(self.places, whole, real, strict=True):
            self.device.write(name, kind, float(number) if kind[0] == "f" else int(integer), index)
        self.inputs[:] = [int(value) for value in calls.inputs[row, : calls.counts[row, READ]]]
        self.outputs.clear()
        result = self.device.call(handler)
        agrees = not self.inputs and self.outputs == self._expected(calls, row) and self._left(calls, row)
        return result.cycles, result.frame_cycles, agrees

    def _expected(self, calls: Calls, row: int) -> list[tuple[str, int]]:
        written = int(calls.counts[row, WRITTEN])
        pairs = zip(calls.ports[row, :written], calls.values[row, :written], strict=True)
        return [(OUT_PORTS[int(port)].name, int(value)) for port, value in pairs]

    def _left(self, calls: Calls, row: int) -> bool:
        whole, real = calls.after[row], calls.after_real[row]
        return all(
            _same(self.device.read(name, kind, index), float(number) if kind[0] == "f" else int(integer))
            for (name, kind, index), integer, number in zip(self.places, whole, real, strict=True)
        )


def _same(found: float, expected: float) -> bool:
    return found == expected or (found != found and expected != expected)


def _place(symbol: str, kind: str) -> tuple[str, str, int]:
    """(name, kind, index) of "name" or "name[index]"."""
    name, _, index = symbol.partition("[")
    return name, kind, int(index[:-1]) if index else 0
