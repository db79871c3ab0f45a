"""Cost rows measured: every probe compiled with -Os, executed on random and extreme operands, and sized."""

from __future__ import annotations

import math
import random
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean, median_high
from typing import Final, NamedTuple

from targets.isa import PIPELINES, Pipeline, load
from targets.isa.compiler import compile_c, compile_object
from targets.isa.image import called_symbols, read_image
from targets.isa.machine import Machine
from targets.isa.operands import extreme_tuples, tuples
from targets.isa.probes import IDENTITY, PROBES, SHIFT_KINDS, Probe, shift_probes, source_text

OPTIONS: Final = ("-Os", "-ffunction-sections", "-fdata-sections")
_MAP_ROW: Final = re.compile(r"^ \.text\S*\s+0x([0-9a-f]+)\s+0x([0-9a-f]+)\s+\S+\((\S+?)\)$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class MeasuredRow:
    """One cost row as a target file holds it: [minimum, typical, maximum] cycles, bytes, routine."""

    cycles: tuple[int, int, int]
    bytes: int
    routine: str | None = None


class MeasuredRoutine(NamedTuple):
    """Flash of a library routine with what it calls, and its deepest stack with its call [bytes]."""

    bytes: int
    stack_bytes: int


@dataclass(frozen=True, slots=True)
class Measurement:
    """Every measured row of a core and the routines they call."""

    rows: dict[str, MeasuredRow]
    routines: dict[str, MeasuredRoutine]


class _Bench:
    """The compiled probes of one core."""

    def __init__(self, core: str, folder: Path) -> None:
        self.core, self.folder = core, folder
        self.object_path = compile_object(source_text(core), core, folder, OPTIONS)
        self.map_path = folder / "all.map"
        elf = compile_c([self.object_path], core, folder, options=(*OPTIONS, f"-Wl,-Map={self.map_path}"))
        self.machines = {pipeline: load(elf, core, pipeline) for pipeline in _pipelines(core)}
        self.machine = self.machines["nominal"]
        self.members = _library_members(self.map_path)
        self.bare_bytes = self.flash_bytes(IDENTITY)

    def flash_bytes(self, function: str) -> int:
        """Flash of a program that holds this function and what it needs, and nothing else."""
        keep = ("-Wl,--gc-sections", f"-Wl,--entry={function}", f"-Wl,-u,{function}")
        elf = compile_c([self.object_path], self.core, self.folder, options=(*OPTIONS, *keep))
        return read_image(elf).flash_bytes

    def routine(self, probe: Probe) -> tuple[tuple[str, ...], str] | None:
        """(library members, name) of what the probe calls; None where it calls nothing."""
        called = called_symbols(self.object_path, probe.function)
        addresses = [self.machine.image.find(name).address & ~1 for name in called]
        members = tuple(dict.fromkeys(self._member_at(address) for address in addresses))
        return (members, "_and_".join(called)) if called else None

    def _member_at(self, address: int) -> str:
        return next(name for start, end, name in self.members if start <= address < end)


def _library_members(path: Path) -> list[tuple[int, int, str]]:
    """(start, end, member) of everything that came out of a library, from the linker's map."""
    rows = _MAP_ROW.findall(path.read_text(encoding="utf-8"))
    return [(int(start, 16), int(start, 16) + int(size, 16), name) for start, size, name in rows]


def measure(core: str) -> Measurement:
    """Measure every probe on a core of `targets.isa.CORES`. Deterministic; takes some ten seconds.

    Raises InputError where the compiler or the extra `measure` is missing.
    """
    with tempfile.TemporaryDirectory(prefix="tickspin_measure_") as folder:
        bench = _Bench(core, Path(folder))
        names: dict[tuple[str, ...], str] = {}
        routines: dict[str, MeasuredRoutine] = {}
        rows = {key: _measured_row(bench, probe, names, routines) for key, probe in PROBES.items()}
        for kind in SHIFT_KINDS:
            rows |= _shift_rows(bench, kind, names, routines)
    return Measurement(rows, routines)


def _measured_row(
    bench: _Bench, probe: Probe, names: dict[tuple[str, ...], str], routines: dict[str, MeasuredRoutine]
) -> MeasuredRow:
    cycles, stack_bytes = _cycles(bench, probe)
    name = _routine_name(bench, probe, names, routines, stack_bytes)
    nop_bytes = 2 if probe.subtract_when else 0
    return MeasuredRow(cycles, bench.machine.body_bytes(probe.function) - nop_bytes, name)


def _routine_name(
    bench: _Bench,
    probe: Probe,
    names: dict[tuple[str, ...], str],
    routines: dict[str, MeasuredRoutine],
    stack_bytes: int,
) -> str | None:
    """Routines in the same members of the library are one; it has the name by which it is met first."""
    found = bench.routine(probe)
    if found is None:
        return None
    members, called = found
    name = names.setdefault(members, called)
    wrapper_bytes = bench.machine.image.find(probe.function).size_bytes
    size = bench.flash_bytes(probe.function) - bench.bare_bytes - wrapper_bytes
    known = routines.get(name, MeasuredRoutine(1, 0))
    routines[name] = MeasuredRoutine(max(size, known.bytes), max(stack_bytes, known.stack_bytes))
    return name


def _pipelines(core: str) -> tuple[Pipeline, ...]:
    """Where the manual leaves timings open, minimum and maximum come from its bounds."""
    return PIPELINES if core in ("m3", "m4f") else ("nominal",)


def _cycles(bench: _Bench, probe: Probe) -> tuple[tuple[int, int, int], int]:
    """Smallest, mean and largest cost of the body, and the deepest stack [bytes]."""
    typical: list[int] = []
    seen: list[tuple[int, int]] = []
    for pipeline, machine in bench.machines.items():
        rng = random.Random(probe.key)
        costs = list(_costs(machine, probe, probe.typical(probe.kinds, rng)))
        if pipeline == "nominal":
            typical = [cycles for cycles, _ in costs]
        seen += costs
        if not probe.key.startswith(("load_at", "store_at", "table_at")):  # these take indices only
            seen += _costs(machine, probe, tuples(probe.kinds, rng))
            seen += _costs(machine, probe, extreme_tuples(probe.kinds, rng))
    cycles, stacks = zip(*seen, strict=True)
    return (min(cycles), math.floor(fmean(typical) + 0.5), max(cycles)), max(stacks)


def _costs(
    machine: Machine, probe: Probe, operands: Iterator[tuple[int | float, ...]]
) -> Iterator[tuple[int, int]]:
    """(cycles, stack bytes) of each call."""
    for row in operands:
        if probe.allowed(row):
            result = machine.call(probe.function, *row, signature=probe.signature)
            nop = probe.subtract_when is not None and probe.subtract_when(row)
            yield result.cycles - result.frame_cycles - nop, result.stack_bytes


def _shift_rows(
    bench: _Bench, kind: str, names: dict[tuple[str, ...], str], routines: dict[str, MeasuredRoutine]
) -> dict[str, MeasuredRow]:
    """Fit of base + bits * per_bit + bytes * per_byte to the shifts by 1, 6 and 8 places, both directions."""
    rows = {
        count: [_measured_row(bench, probe, names, routines) for probe in pair]
        for count, pair in shift_probes(kind).items()
    }
    low = {count: min(row.cycles[0] for row in pair) for count, pair in rows.items()}
    high = {count: max(row.cycles[2] for row in pair) for count, pair in rows.items()}
    sizes = {count: max(row.bytes for row in pair) for count, pair in rows.items()}
    called = {row.routine for pair in rows.values() for row in pair if row.routine}
    routine = max(called, key=lambda name: routines[name].bytes) if called else None
    middle = high
    if not bench.core.startswith("avr"):  # a barrel shifter: the direction and word borders matter, no count
        middle = dict.fromkeys(rows, median_high(row.cycles[1] for pair in rows.values() for row in pair))
        low = dict.fromkeys(rows, min(low.values()))
        high = dict.fromkeys(rows, max(high.values()))
        sizes = dict.fromkeys(rows, max(sizes.values()))
    fits = [fit_shift(costs) for costs in (low, middle, high)]
    parts = zip(("base", "per_bit", "per_byte"), zip(*fits, strict=True), fit_shift(sizes), strict=True)
    return {
        f"{kind}_shift_{part}": MeasuredRow(_in_order(cycles), size, routine if part == "base" else None)
        for part, cycles, size in parts
    }


def _in_order(cycles: tuple[int, ...]) -> tuple[int, int, int]:
    low, middle, high = sorted(cycles)
    return low, middle, high


def fit_shift(costs: dict[int, int]) -> tuple[int, int, int]:
    """(base, per bit, per byte) for the costs of 1, 6 and 8 places; never below them, and close to 1 and 6.

    Two lines are tried: through both points, or from 0 where that would start below; and from the cost of 1.
    """
    slope = -(-(costs[6] - costs[1]) // 5)
    through = (costs[1] - slope, slope) if costs[1] >= slope else (0, -(-costs[6] // 6))
    above = (costs[1], max(-(-(costs[6] - costs[1]) // 6), 0))
    base, per_bit = min(through, above, key=lambda line: 2 * line[0] + 7 * line[1])
    return base, per_bit, max(costs.get(8, 0) - base, 0)
