"""Exported C beside the machine: the same calls in both, as fast as a shared library goes."""

import ctypes
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controllers.binding import Binding
from controllers.c.export import export_law
from controllers.c.hardware import used_ports
from controllers.c.vectors import random_calls
from controllers.lower import compile_law
from controllers.play import Calls
from controllers.program import Program

STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror")
LEVELS = ("-O0", "-O2")
SANITIZE = ("-fsanitize=undefined,address,float-cast-overflow", "-fno-sanitize-recover=all")

_BATCH = """\
#define main replay_main
#include "replay.c"
#undef main

/* The first row that differs, or -1. */
long long batch(long long rows, const long long *handler, const long long *before, const double *before_real,
                const long long *inputs, const long long *ports, const long long *values,
                const long long *counts, const long long *after, const double *after_real)
{
    static struct vector v;
    for (long long row = 0; row < rows; row++) {
        v.handler = (int)handler[row];
        v.reads = (int)counts[2 * row];
        v.writes = (int)counts[2 * row + 1];
        for (int n = 0; n < REPLAY_COLUMNS; n++) {
            v.before[n].whole = before[row * REPLAY_COLUMNS + n];
            v.before[n].real = before_real[row * REPLAY_COLUMNS + n];
            v.after[n].whole = after[row * REPLAY_COLUMNS + n];
            v.after[n].real = after_real[row * REPLAY_COLUMNS + n];
        }
        for (int n = 0; n < REPLAY_ACCESSES; n++) {
            v.inputs[n] = inputs[row * REPLAY_ACCESSES + n];
            v.ports[n] = (int)ports[row * REPLAY_ACCESSES + n];
            v.values[n] = values[row * REPLAY_ACCESSES + n];
        }
        if (!replay_vector(&v)) {
            fflush(stdout);
            return row;
        }
    }
    return -1;
}
"""


def require(compiler: str) -> None:
    """Skip the test where a compiler is not installed."""
    if shutil.which(compiler) is None:
        pytest.skip(f"{compiler} is not installed: nothing to compile with")


def write_files(folder: Path, files: Mapping[str, str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def exported(folder: Path, law: Path, binding: Binding, vectors: int = 300) -> Program:
    """Export a law into `folder`; its Program."""
    write_files(folder, export_law(law, binding, vectors))
    return compile_law(law, binding)


def compile_replay(folder: Path, *options: str, sources: str = "*.c") -> None:
    """gcc OPTIONS DIR/*.c -o DIR/replay, as a user would, every warning an error."""
    require("gcc")
    found = sorted(str(path) for path in folder.glob(sources))
    command = ["gcc", *STRICT, *options, *found, "-o", str(folder / "replay")]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr


def replay(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run the replay program."""
    return subprocess.run([str(folder / "replay"), *words], capture_output=True, text=True, check=False)


def first_difference(folder: Path, program: Program, calls: Calls, *options: str) -> int:
    """Row of the first call in which the C does something else than the machine, -1 for none; what differs
    stands on standard output. The C must compile without a warning; `options` are for gcc."""
    require("gcc")
    (folder / "batch").mkdir(exist_ok=True)
    source = folder / "batch" / "batch.c"
    source.write_text(_BATCH)
    library = folder / "batch" / f"batch{''.join(options)}.so"
    command = ["gcc", *STRICT, *options, "-shared", "-fPIC", f"-I{folder}", str(source), "-o", str(library)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    batch = ctypes.CDLL(str(library)).batch
    batch.restype = ctypes.c_longlong
    arrays = _arrays(program, calls)  # held until the call is over
    addresses = [ctypes.c_void_p(array.ctypes.data) for array in arrays]
    return int(batch(ctypes.c_longlong(len(calls.entries)), *addresses))


def _arrays(program: Program, calls: Calls) -> list[Any]:
    """The columns of `batch`: handlers and ports by their place in the exported tables."""
    handler_of = np.zeros(len(program.code), np.int64)
    for place, pc in enumerate(program.handlers.values()):
        handler_of[pc] = place
    port_of = np.zeros(64, np.int64)
    for place, port in enumerate(used_ports(program)[1]):
        port_of[port.index] = place
    return [
        handler_of[calls.entries], calls.before, calls.before_real, calls.inputs, port_of[calls.ports],
        calls.values, calls.counts, calls.after, calls.after_real,
    ]  # fmt: skip


def check_against_machine(
    folder: Path, law: Path, binding: Binding, count: int, levels: tuple[str, ...] = LEVELS, seed: int = 2
) -> Program:
    """Export, compile and compare `count` random calls; returns the Program."""
    program = exported(folder, law, binding, vectors=1)
    calls = random_calls(program, count, seed)
    for level in levels:
        assert first_difference(folder, program, calls, level) == -1, f"{level}: the mismatch stands above"
    return program


def check_replay(folder: Path, law: Path, binding: Binding, count: int, sources: str = "*.c") -> None:
    """Export and run the replay program under the sanitizers of gcc: no undefined behaviour on the way."""
    exported(folder, law, binding, count)
    compile_replay(folder, "-O0", *SANITIZE, sources=sources)
    ended = replay(folder)
    assert (ended.returncode, ended.stderr) == (0, ""), ended.stdout
    assert ended.stdout == f"{count} vectors match\n"
