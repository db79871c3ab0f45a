"""How fast the machine and the compiler are."""

import subprocess
import sys
import time

import numpy as np
import pytest

from controllers import machine, opcodes
from controllers.catalogue import law_names, law_path
from controllers.kinds import I32, U16
from controllers.lower import compile_law
from tests.controllers.support import make_binding

# a counting loop over integer work, as in a handler; the jump back is for the measurement only
LOOP = (
    (opcodes.ADD, I32.index, 2, 2, 1, 0),
    (opcodes.MUL, I32.index, 3, 2, 4, 0),
    (opcodes.MUL_SHIFT, I32.index, 3, 3, 4, 3),
    (opcodes.WRAP_SUB, U16.index, 5, 3, 2, 0),
    (opcodes.JUMP_LT, I32.index, 0, 5, 2, 6),
    (opcodes.MOVE, I32.index, 6, 5, 0, 0),
    (opcodes.SHR, I32.index, 6, 6, 0, 3),
    (opcodes.AND, I32.index, 6, 6, 2, 0),
    (opcodes.CONVERT, I32.index, 7, 6, 0, U16.index),
    (opcodes.JUMP_LT, I32.index, 0, 2, 0, 0),
    (opcodes.RET, 0, 0, 0, 0, 0),
)


def run_loop(turns: int) -> float:
    """Nanoseconds per instruction."""
    code = np.array(LOOP, dtype=np.int32)
    ints = np.array([turns, 1, 0, 0, 5, 0, 0, 0], dtype=np.int64)
    floats, cost = np.zeros(8), np.ones(len(code), dtype=np.int64)
    faults = np.zeros((len(code), 3), dtype=np.int64)
    begin = time.perf_counter()
    _, executed = machine.run(code, cost, ints, floats, faults, 0)
    return (time.perf_counter() - begin) / executed * 1e9


@pytest.mark.benchmark
def test_machine_takes_some_nanoseconds_an_instruction() -> None:
    """Design, section 4: about 3 to 4 ns. 8 leaves room for a slow or busy processor."""
    run_loop(1000)
    assert min(run_loop(300_000) for _ in range(5)) < 8


@pytest.mark.benchmark
@pytest.mark.parametrize("law", law_names())
def test_shipped_law_compiles_within_twenty_milliseconds(law: str) -> None:
    def compile_once() -> float:
        begin = time.perf_counter()
        compile_law(law_path(law), make_binding())
        return time.perf_counter() - begin

    assert min(compile_once() for _ in range(5)) < 0.020


def test_importing_controllers_loads_no_heavy_library() -> None:
    """What reads, prices and bounds a law compiles nothing."""
    script = "import controllers, sys; print(*sorted({'numba', 'scipy', 'matplotlib'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""
