"""What the tests of targets.isa share: compiled programs, or a skip with its reason."""

from __future__ import annotations

import functools
import importlib.util
import random
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

import pytest

from targets.isa import CORES, Machine, compile_c, load, toolchain_of

C_TYPES = {
    "u8": "uint8_t", "i8": "int8_t", "u16": "uint16_t", "i16": "int16_t", "u32": "uint32_t", "i32": "int32_t",
    "u64": "uint64_t", "i64": "int64_t", "f32": "float", "f64": "double",
}  # fmt: skip
TARGET_CORES = tuple(core for core in CORES if core not in ("avr2", "avr4"))


def skip_without_tools(core: str) -> None:
    """Skip the test, and say why, where the extra or the core's compiler is missing."""
    modules = ["elftools"] if core.startswith("avr") else ["elftools", "unicorn", "capstone"]
    missing = [name for name in modules if importlib.util.find_spec(name) is None]
    if missing:
        pytest.skip(f"the extra `measure` is not installed: no {', '.join(missing)}")
    toolchain = toolchain_of(core)
    if shutil.which(toolchain.compiler) is None:
        pytest.skip(f"{toolchain.compiler} is not installed (Debian: {toolchain.packages})")


def machine_of(source: str, core: str, folder: Path, stubs: Mapping[str, str] | None = None) -> Machine:
    """The C text compiled with -Os and loaded."""
    skip_without_tools(core)
    return load(compile_c({"program.c": source}, core, folder, stubs=stubs), core)


@functools.cache
def shared_machine(source: str, core: str) -> Machine:
    """The same, compiled once for all tests of a module."""
    return machine_of(source, core, Path(tempfile.mkdtemp(prefix="tickspin_isa_")))


def draw(kind: str, rng: random.Random) -> int | float:
    """An operand: integers log-uniform in magnitude over the width, floats over 1e-3..1e3, random sign."""
    if kind.startswith("f"):
        return rng.choice((-1, 1)) * 10 ** rng.uniform(-3, 3)
    bits = int(kind[1:]) - kind.startswith("i")
    magnitude = min(int(2 ** rng.uniform(0, bits)), (1 << bits) - 1)
    return -magnitude if kind.startswith("i") and rng.random() < 0.5 else magnitude
