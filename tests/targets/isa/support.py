"""What the tests of targets.isa share: compiled programs, or a skip with its reason."""

from __future__ import annotations

import functools
import importlib.util
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

import pytest

from targets.isa import CORES, Machine, compile_c, load, toolchain_of

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
