"""`spin` as a C function: the door through which Python enters the compiled simulation."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers.faults import FAULT_NAMES
from controllers.jit import NativeKernel, array
from sim.loop.spin import spin
from sim.plant.emf import COLUMNS as SHAPES
from sim.plant.records import PLANT, PLANT_STATE, SEGMENT, WINDOW_COLUMNS, Record
from sim.processor.execution import Machine
from sim.processor.records import LOG_COLUMNS, PROCESSOR, PROCESSOR_STATE, TRACE_COLUMNS

_CODE_COLUMNS = 6
_FAULT_KINDS = len(FAULT_NAMES)
_COMMAND_COLUMNS = 2
_TRACE, _WINDOW, _LOG = len(TRACE_COLUMNS), len(WINDOW_COLUMNS), len(LOG_COLUMNS)
_ADDRESSES, _INTEGERS = 18, 8


def _entry(
    p: Any, s: Any, w: Any, shape: Any, c: Any, k: Any, code: Any, cost: Any, ints: Any, floats: Any,
    faults: Any, scratch_ints: Any, scratch_floats: Any, scratch_faults: Any, commands: Any, trace: Any,
    window: Any, log: Any,
    knots: int, instructions: int, slots: int, command_rows: int, trace_rows: int, window_rows: int,
    log_rows: int, max_segments: int,
) -> int:  # fmt: skip
    """Arrays and records at the addresses given, handed to `spin`; addresses in the order of its arguments,
    then row counts."""
    rows = array(code, (instructions, _CODE_COLUMNS), np.int32)
    cycles = array(cost, instructions, np.int64)
    return spin(
        array(p, 1, PLANT)[0],
        array(s, 1, PLANT_STATE)[0],
        array(w, 1, SEGMENT)[0],
        array(shape, (knots, SHAPES), np.float64),
        array(c, 1, PROCESSOR)[0],
        array(k, 1, PROCESSOR_STATE)[0],
        Machine(
            rows,
            cycles,
            array(ints, slots, np.int64),
            array(floats, slots, np.float64),
            array(faults, (instructions, _FAULT_KINDS), np.int64),
        ),
        Machine(
            rows,
            cycles,
            array(scratch_ints, slots, np.int64),
            array(scratch_floats, slots, np.float64),
            array(scratch_faults, (instructions, _FAULT_KINDS), np.int64),
        ),
        array(commands, (command_rows, _COMMAND_COLUMNS), np.float64),
        array(trace, (trace_rows, _TRACE), np.float64),
        array(window, (window_rows, _WINDOW), np.float64),
        array(log, (log_rows, _LOG), np.int64),
        max_segments,
    )


native_spin = NativeKernel("spin", _entry, _ADDRESSES, _INTEGERS)

_WANTED = (
    ("shape", np.float64), ("code", np.int32), ("cost", np.int64), ("ints", np.int64),
    ("floats", np.float64), ("faults", np.int64), ("commands", np.float64), ("trace", np.float64),
    ("window", np.float64), ("log", np.int64),
)  # fmt: skip


def run_spin(
    p: Record, s: Record, w: Record, c: Record, k: Record, arrays: dict[str, NDArray[Any]], max_segments: int
) -> int:
    """Call `spin` with records and the arrays that `_WANTED` names; every one is checked before its address
    is taken.

    Returns: how the run ended, see `sim.loop.spin`.
    """
    for name, dtype in _WANTED:
        array = arrays[name]
        if array.dtype != dtype or not array.flags.c_contiguous:
            raise AssertionError(
                f"{name} must be a C-contiguous array of {np.dtype(dtype)}, found {array.dtype}"
            )
    a = {name: array.ctypes.data for name, array in arrays.items()}
    scratch = [np.zeros_like(arrays[name]) for name in ("ints", "floats", "faults")]
    scratch_ints, scratch_floats, scratch_faults = (array.ctypes.data for array in scratch)
    rows = [len(arrays[name]) for name in ("shape", "code", "ints", "commands", "trace", "window", "log")]
    plant, state, segment, processor, counters = (
        record.__array_interface__["data"][0] for record in (p, s, w, c, k)
    )
    return native_spin(
        plant, state, segment, a["shape"], processor, counters, a["code"], a["cost"], a["ints"], a["floats"],
        a["faults"], scratch_ints, scratch_floats, scratch_faults, a["commands"], a["trace"], a["window"],
        a["log"], *rows, max_segments,
    )  # fmt: skip
