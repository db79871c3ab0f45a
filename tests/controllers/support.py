"""What the tests of controllers share: a way into the machine, and hardware that answers a law."""

import ctypes
import hashlib
import os
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controllers import machine, opcodes, ports
from controllers.binding import Binding
from controllers.faults import FAULT_NAMES
from controllers.jit import kernel
from controllers.kinds import INTEGER_KINDS, MACHINE_KINDS, Kind
from controllers.lower import compile_law
from controllers.program import Program

DESIGN = {"timer_bits": 16, "tick_Hz": 2e6, "pole_pairs": 2, "duty_top": 1000, "control_period_s": 0.001}
IMPORTS = (
    "from controllers.dialect import Law, array, const, f32, f64, gain, hw, i8, i16, i32, i64, mul_wide, "
    "number, param, q, sat, sat_add, sat_mul, sat_sub, scale, table, ticks, u8, u16, u32, u64, var, wrap, "
    "wrap_add, wrap_sub"
)
C_TYPES = {
    "u8": "uint8_t", "i8": "int8_t", "u16": "uint16_t", "i16": "int16_t", "u32": "uint32_t", "i32": "int32_t",
    "u64": "uint64_t", "i64": "int64_t", "f32": "float", "f64": "double",
}  # fmt: skip


def compile_c(folder: Path, source: str) -> ctypes.CDLL:
    """Compile C source into a library and load it; skips the test where gcc is missing. Libraries are kept in
    the folder that TICKSPIN_JUDGES names, where it does: runs over mutants need them again and again."""
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: nothing to compare with")
    if kept := os.environ.get("TICKSPIN_JUDGES"):
        folder = Path(kept) / hashlib.sha256(source.encode()).hexdigest()[:16]
        folder.mkdir(exist_ok=True)
    if not (folder / "judge.so").exists():
        (folder / "judge.c").write_text(source)
        command = ["gcc", "-std=c11", "-O1", "-fwrapv", "-shared", "-fPIC", "-o", "judge.so", "judge.c"]
        subprocess.run(command, cwd=folder, check=True)
    return ctypes.CDLL(str(folder / "judge.so"))


@kernel
def sweep(
    code: Any, cost: Any, ints: Any, floats: Any, counted: Any, cells: Any, reals: Any, results: Any,
    real_results: Any, faults: Any,
) -> None:  # fmt: skip
    """Run `code` once for each row of operands: slots 0 and 1 in, slot 2 out, in both images."""
    for row in range(len(cells)):
        ints[0] = cells[row, 0]
        ints[1] = cells[row, 1]
        floats[0] = reals[row, 0]
        floats[1] = reals[row, 1]
        for column in range(len(FAULT_NAMES)):
            counted[0, column] = 0
        machine.run(code, cost, ints, floats, counted, 0)
        results[row] = ints[2]
        real_results[row] = floats[2]
        for column in range(len(FAULT_NAMES)):
            faults[row, column] = counted[0, column]


def run_operation(rows: list[tuple[int, ...]], pairs: Any) -> tuple[Any, Any, Any]:
    """(integer results, float results, faults of the first instruction) of a program over operand pairs.

    Slots: 0 and 1 operands, 2 result, 3 holds 0 and 4 holds 1. Integer operands reach the integer image as
    they are, uint64 as its bit pattern; floats reach it without their fraction.
    """
    code = np.array(rows, dtype=np.int32)
    cost = np.zeros(len(code), dtype=np.int64)
    results, real_results = np.zeros(len(pairs), dtype=np.int64), np.zeros(len(pairs))
    counted = np.zeros((len(code), len(FAULT_NAMES)), dtype=np.int64)
    faults = np.zeros((len(pairs), len(FAULT_NAMES)), dtype=np.int64)
    ints = np.array([0, 0, 0, 0, 1], dtype=np.int64)
    with np.errstate(invalid="ignore"):  # the integer image of NaN and of infinities is not used
        cells = np.ascontiguousarray(pairs).astype(np.int64)
    reals = np.ascontiguousarray(pairs).astype(np.float64)
    sweep(code, cost, ints, ints.astype(np.float64), counted, cells, reals, results, real_results, faults)
    return results, real_results, faults


def operation_rows(op: int, kind: Kind, b: int = 1, extra: int = 0) -> list[tuple[int, ...]]:
    """slot 2 = slot 0 op slot 1; a compare leaves 1 where it jumps."""
    if opcodes.OPCODES[op].jumps:
        move = opcodes.MOVE
        return [
            (op, kind.index, 4, 0, 1, 3),  # a jump has no destination: what stands there must not matter
            (move, 5, 2, 3, 0, 0),
            (opcodes.RET, 0, 0, 0, 0, 0),
            (move, 5, 2, 4, 0, 0),
            (opcodes.RET, 0, 0, 0, 0, 0),
        ]
    return [(op, kind.index, 2, 0, b, extra), (opcodes.RET, 0, 0, 0, 0, 0)]


def corner_values(kind: Kind) -> list[int]:
    """The integers where the arithmetic of a kind goes wrong first."""
    powers = [1 << n for n in range(kind.bits)]
    near = [p + d for p in powers for d in (-1, 0, 1)] + [-p + d for p in powers for d in (-1, 0, 1)]
    return sorted({v for v in (kind.low, kind.high, 0, *near) if kind.low <= v <= kind.high})


def operand_pairs(kind: Kind, count: int = 1500, seed: int = 1) -> Any:
    """Corner pairs and random pairs, small magnitudes as likely as large ones."""
    draw = np.random.default_rng(seed + kind.index)
    corners = corner_values(kind)
    some = np.array(corners, dtype=cell_type(kind))[draw.integers(0, len(corners), size=(count, 2))]
    shift = draw.integers(0, kind.bits, size=(count, 2))
    dtype = cell_type(kind)
    spread = draw.integers(kind.low, kind.high, endpoint=True, size=(count, 2), dtype=dtype) >> shift.astype(
        dtype
    )
    few = [
        (a, b) for a in corners[:: max(1, len(corners) // 20)] for b in corners[:: max(1, len(corners) // 20)]
    ]
    ends = [(a, b) for a in (kind.low, kind.high, -1, 0, 1) for b in (kind.low, kind.high, -1, 0, 1)]
    inside = [(a, b) for a, b in ends if kind.low <= a <= kind.high and kind.low <= b <= kind.high]
    return np.concatenate([np.array(part, dtype=dtype) for part in (few, inside, some, spread)])


def cell_type(kind: Kind) -> Any:
    """numpy type that holds every value of an integer or fixed-point kind."""
    return np.uint64 if kind.is_wide and not kind.signed else np.int64


SIGNED_KINDS = tuple(kind for kind in INTEGER_KINDS if kind.signed)
FLOAT_KINDS = tuple(kind for kind in MACHINE_KINDS if kind.is_float)


def make_binding(
    arithmetic: str = "i32", parameters: dict[str, float] | None = None, **changes: Any
) -> Binding:
    """The design of the tests, with changes."""
    return Binding(arithmetic=arithmetic, parameters=parameters or {}, **{**DESIGN, **changes})


def law_text(body: str, declarations: str = "", helpers: str = "") -> str:
    """A law file whose on_start holds `body`; the body starts in the line after `def on_start`."""
    inside = "\n".join(f"        {line}" for line in body.splitlines())
    declared = "".join(f"    {line}\n" for line in declarations.splitlines())
    others = "".join(f"    {line}\n" for line in helpers.splitlines())
    head = f'{IMPORTS}\nclass Try(Law):\n    """Try."""\n{declared}'
    return f"{head}    def on_start(self) -> None:\n{inside}\n{others}"


def compile_text(folder: Path, text: str, arithmetic: str = "i32", **changes: Any) -> Program:
    """Compile a law given as text."""
    path = folder / "try.py"
    path.write_text(text, encoding="utf-8")
    return compile_law(path, make_binding(arithmetic, **changes))


@dataclass
class Bench:
    """Hardware for one Program: answers IN from `inputs`, logs OUT, adds up cycles."""

    program: Program
    cost: Any = None
    inputs: dict[int, Any] = field(default_factory=dict)
    log: list[tuple[str, int]] = field(default_factory=list)
    cycles: int = 0

    def __post_init__(self) -> None:
        self.ints = self.program.ints.copy()
        self.floats = self.program.floats.copy()
        self.faults = self.program.new_faults()
        if self.cost is None:
            self.cost = np.zeros(len(self.program.code), dtype=np.int64)

    def call(self, handler: str) -> int:
        """Run a handler to its end; returns its cycles."""
        pc, spent = self.program.handlers[handler], 0
        while True:
            pc, cycles = machine.run(self.program.code, self.cost, self.ints, self.floats, self.faults, pc)
            spent += cycles
            op, _, dst, a, _, port = (int(column) for column in self.program.code[pc])
            if op == opcodes.RET:
                self.cycles += spent
                return spent
            if op == opcodes.IN:
                answer = self.inputs.get(port, 0)
                self.ints[dst] = answer() if callable(answer) else answer
            else:
                self.log.append((ports.OUT_PORTS[port].name, int(self.ints[a])))
            pc += 1

    def value(self, name: str) -> int | float:
        """A static variable, in stored form."""
        slot = self.program.statics[name]
        is_float = MACHINE_KINDS[self.program.slot_kinds[slot]].is_float
        return float(self.floats[slot]) if is_float else int(self.ints[slot])

    def faults_by_line(self) -> dict[int, tuple[int, ...]]:
        """Line of the law -> counts of each of `FAULT_NAMES`, lines with faults only."""
        lines = sorted({int(line) for line in self.program.lines[self.faults.any(axis=1)]})
        return {n: tuple(int(c) for c in self.faults[self.program.lines == n].sum(axis=0)) for n in lines}
