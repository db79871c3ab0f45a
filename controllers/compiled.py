"""A law on its real core: the exported C is compiled, its handlers are executed instruction by instruction.

A port is a volatile variable that is read and written in line, as a peripheral register is. Every call is
checked: what the handler writes to the ports and leaves in the static variables is what the machine says.
Needs the cross-compilers and the extra `measure`, see `targets.isa`.
"""

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
from controllers.play import READ, WRITTEN, Calls, play
from controllers.ports import OUT_PORTS, Port
from controllers.program import Program
from targets import Target
from targets.isa import CallResult, Machine, compile_c, load

OPTIONS: Final = ("-Os", "-ffp-contract=off")
SEED: Final = 1
_POOL: Final = 50
"""The calls are chosen from so many times their number: see `_measured`."""


@dataclass(frozen=True)
class MeasuredHandler:
    """Cycles of one handler on its core, without saving registers and returning, which take `frame_cycles`;
    stack_bytes: the deepest, library routines included.

    calls: how many. fastest, mean, slowest: measured; the mean over calls as they come, the others over all.
    typical, maximum: predicted along the ways that the same calls take: the mean at typical costs, the
    greatest at maximum costs, ports at typical ones in both.
    """

    calls: int
    fastest: int
    mean: float
    slowest: int
    typical: float
    maximum: int
    frame_cycles: int
    stack_bytes: int

    @property
    def typical_error(self) -> float:
        """Of the mean: predicted to measured, less 1."""
        return self.typical / self.mean - 1

    @property
    def worst_error(self) -> float:
        """Of the slowest call: predicted to measured, less 1."""
        return self.maximum / self.slowest - 1


@dataclass(frozen=True)
class Measurement:
    """A compiled law: handler -> cycles; flash [bytes] with initial values and library routines, RAM [bytes]
    of its static variables, without start-up code and stack. wrong: calls that differ from the machine."""

    core: str
    handlers: dict[str, MeasuredHandler]
    flash_bytes: int
    ram_bytes: int
    wrong: int


def measure_law(linked: LinkedProgram, target: Target, count: int, seed: int = SEED) -> Measurement:
    """Compile the program of `linked` for the core of `target`, which it was linked for, and call each
    handler up to `count` times.

    The calls start from random states and inputs; those that count a fault are left out, for nobody would
    ship them. Raises InputError where the target is not a modelled core, or compiler or extra is missing.
    """
    program, core = linked.program, linked.target
    with TemporaryDirectory() as folder:
        device = load(_compile(program, core, Path(folder)), core)
        if target.wait_states:
            device.wait_for_flash(target.wait_states, target.memory.fetch_bytes, target.memory.reads_ahead)
        bench, draw = _Bench(linked, device), np.random.default_rng(seed)
        pool = bench.reachable(random_calls(program, _POOL * count * len(program.handlers), seed))
        handlers = {name: _measured(bench, pool, name, count, draw) for name in program.handlers}
    ports_bytes = sum(_port_bytes(port, program) for side in used_ports(program) for port in side)
    return Measurement(
        core,
        {name: found for name, found in handlers.items() if found is not None},
        device.image.flash_bytes - (ports_bytes if core in _APART_OPTIONS else 0),
        device.image.ram_bytes - ports_bytes,
        bench.wrong,
    )


def _measured(
    bench: "_Bench", pool: Calls, handler: str, count: int, draw: np.random.Generator
) -> MeasuredHandler | None:
    """Call one handler: a third of the calls as they come, for the mean; a third the longest by prediction
    among many, for few random states reach the longest way; a third the slowest of these with a value or two
    changed, for the operands that take the routines longest."""
    third = -(-count // 3)
    entry = bench.linked.program.handlers[handler]
    rows = [int(row) for row in np.flatnonzero((pool.entries == entry) & (pool.faulty == 0))[: 40 * third]]
    if not rows:
        return None
    first = [bench.result(handler, pool, row) for row in rows[:third]]
    longest = sorted(rows, key=lambda row: bench.predicted(pool, row)[1], reverse=True)[:third]
    results = [bench.result(handler, pool, row) for row in longest]
    best = int(np.argmax([cycles for cycles, *_ in results]))
    state = _only(pool, [longest[best]])
    for _ in range(third):
        trial = _changed(bench.linked.program, state, pool, rows, draw)
        if not trial.faulty[0]:
            results.append(bench.result(handler, trial, 0))
            state = trial if results[-1][0] > max(cycles for cycles, *_ in results[:-1]) else state
    mean, far = np.array(first), np.array([*first, *results])
    return MeasuredHandler(
        len(far), int(far[:, 0].min()), float(mean[:, 0].mean()), int(far[:, 0].max()),
        float(mean[:, 1].mean()), int(far[:, 2].max()), int(far[:, 3].max()), int(far[:, 4].max()),
    )  # fmt: skip


def _only(calls: Calls, rows: list[int]) -> Calls:
    return Calls(**{name: column[rows].copy() for name, column in vars(calls).items()})


def _changed(
    program: Program, state: Calls, pool: Calls, rows: list[int], draw: np.random.Generator
) -> Calls:
    """`state` with one or two of its static variables and inputs from other calls of the pool."""
    before, before_real, inputs = state.before.copy(), state.before_real.copy(), state.inputs.copy()
    for _ in range(int(draw.integers(1, 3))):
        other, at = int(draw.choice(rows)), int(draw.integers(before.shape[1] + inputs.shape[1]))
        if at < before.shape[1]:
            before[0, at], before_real[0, at] = pool.before[other, at], pool.before_real[other, at]
        else:
            inputs[0, at - before.shape[1]] = pool.inputs[other, at - before.shape[1]]
    return play(program, state.entries, before, before_real, inputs)


def _columns(linked: LinkedProgram) -> tuple[Any, Any]:
    """Typical and maximum costs without frames; ports at typical ones in both, for the modelled cores wait
    for no bus."""
    is_port = np.isin(linked.program.code[:, 0], (opcodes.IN, opcodes.OUT))
    bodies = linked.cycles - linked.frame_cycles
    typical, maximum = (np.ascontiguousarray(bodies[:, level]) for level in (TYPICAL, MAXIMUM))
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
_APART_OPTIONS: Final = dict.fromkeys(("rv32imc", "rv32ec"), ("-Wl,--section-start=.ports=0x20003000",))
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

    def __init__(self, linked: LinkedProgram, device: Machine) -> None:
        program = linked.program
        self.linked, self.device, self.wrong = linked, device, 0
        self._typical, self._maximum = _columns(linked)
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
        self.columns = [n for n, (name, *_) in enumerate(self.places) if name in device.image.symbols]

    def _logger(self, name: str) -> Any:
        return lambda value: self.outputs.append((name, int(value)))

    def reachable(self, calls: Calls) -> Calls:
        """The calls with the initial value in what the compiler has left out, since no handler writes it."""
        program, slots = self.linked.program, list(self.linked.program.statics.values())
        before, before_real = calls.before.copy(), calls.before_real.copy()
        for column in set(range(len(slots))) - set(self.columns):
            before[:, column], before_real[:, column] = (
                program.ints[slots[column]],
                program.floats[slots[column]],
            )
        return play(program, calls.entries, before, before_real, calls.inputs)

    def predicted(self, calls: Calls, row: int) -> tuple[int, int]:
        """Cycles of a call at typical and at maximum costs."""
        program = self.linked.program
        return cost_of(program, self._typical, calls, row), cost_of(program, self._maximum, calls, row)

    def result(self, handler: str, calls: Calls, row: int) -> tuple[int, int, int, int, int]:
        """(measured, predicted typical, predicted maximum, frame) cycles and stack bytes of a call."""
        found, agrees = self.call(handler, calls, row)
        self.wrong += not agrees
        body = found.cycles - found.frame_cycles
        return body, *self.predicted(calls, row), found.frame_cycles, found.stack_bytes

    def call(self, handler: str, calls: Calls, row: int) -> tuple[CallResult, bool]:
        """What a call took, and whether everything is as the machine says."""
        for column in self.columns:
            name, kind, index = self.places[column]
            self.device.write(name, kind, _value(kind, calls.before, calls.before_real, row, column), index)
        self.inputs[:] = [int(value) for value in calls.inputs[row, : calls.counts[row, READ]]]
        self.outputs.clear()
        result = self.device.call(handler)
        agrees = not self.inputs and self.outputs == self._expected(calls, row) and self._left(calls, row)
        return result, agrees

    def _expected(self, calls: Calls, row: int) -> list[tuple[str, int]]:
        written = int(calls.counts[row, WRITTEN])
        pairs = zip(calls.ports[row, :written], calls.values[row, :written], strict=True)
        return [(OUT_PORTS[int(port)].name, int(value)) for port, value in pairs]

    def _left(self, calls: Calls, row: int) -> bool:
        return all(
            _same(
                self.device.read(name, kind, index), _value(kind, calls.after, calls.after_real, row, column)
            )
            for column in self.columns
            for name, kind, index in (self.places[column],)
        )


def _value(kind: str, whole: Any, real: Any, row: int, column: int) -> float:
    return float(real[row, column]) if kind[0] == "f" else int(whole[row, column])


def _same(found: float, expected: float) -> bool:
    return found == expected or (found != found and expected != expected)


def _place(symbol: str, kind: str) -> tuple[str, str, int]:
    """(name, kind, index) of "name" or "name[index]"."""
    name, _, index = symbol.partition("[")
    return name, kind, int(index[:-1]) if index else 0
