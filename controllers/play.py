"""Handlers of a Program played one by one from given states with scripted inputs: test vectors.

A vector is one call of one handler: the static variables before it, what the hardware answers to its reads in
their order, what it writes to the hardware in order, and the static variables after it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from controllers.faults import FAULT_NAMES
from controllers.jit import NativeKernel, array, kernel
from controllers.machine import run
from controllers.opcodes import IN, OUT, RET
from controllers.program import COLUMNS, Program
from controllers.wide import wrap

Record = Any

READ: Final = 0
WRITTEN: Final = 1
_ADDRESSES, _INTEGERS = 16, 5
_COLUMNS = len(COLUMNS)
_FAULT_KINDS = len(FAULT_NAMES)


@dataclass(frozen=True, eq=False)
class Calls:
    """n calls of handlers of one Program with s static variables, in the order of `Program.statics`.

    entries: int64[n], pc. before, after: int64[n, s]; before_real, after_real: float64[n, s]; which of the
    two holds a variable follows from its kind, the other is 0. inputs: int64[n, most reads of a handler],
    within the kind of the port. ports, values: int64[n, most writes]. counts: int64[n, 2], how many were read
    and written. faulty: int64[n], 1 where the machine counted a fault.
    """

    entries: Any
    before: Any
    before_real: Any
    inputs: Any
    ports: Any
    values: Any
    counts: Any
    after: Any
    after_real: Any
    faulty: Any


def play(program: Program, entries: Any, before: Any, before_real: Any, inputs: Any) -> Calls:
    """Call handlers from the given states. `inputs` holds any int64: each is reduced to the kind of the port
    that reads it."""
    count, most = len(entries), _most_accesses(program)
    calls = Calls(
        entries=np.ascontiguousarray(entries, np.int64),
        before=np.ascontiguousarray(before, np.int64),
        before_real=np.ascontiguousarray(before_real, np.float64),
        inputs=np.ascontiguousarray(inputs, np.int64).copy(),
        ports=np.zeros((count, most), np.int64),
        values=np.zeros((count, most), np.int64),
        counts=np.zeros((count, 2), np.int64),
        after=np.zeros(np.shape(before), np.int64),
        after_real=np.zeros(np.shape(before), np.float64),
        faulty=np.zeros(count, np.int64),
    )
    if calls.inputs.shape != (count, most):
        raise AssertionError(f"inputs have the shape {(count, most)}, found {calls.inputs.shape}")
    _run_native(program, calls)
    return calls


def _run_native(program: Program, calls: Calls) -> None:
    slots = np.array(list(program.statics.values()), dtype=np.int64)
    code = np.ascontiguousarray(program.code, np.int32)
    working: Mapping[str, Any] = {
        "cost": np.zeros(len(code), np.int64),
        "ints": program.ints.copy(),
        "floats": program.floats.copy(),
        "faults": program.new_faults(),
    }
    arrays = (code, *working.values(), slots, *vars(calls).values())
    native_play(
        *(a.ctypes.data for a in arrays),
        len(code), len(program.ints), len(slots), len(calls.entries), calls.ports.shape[1],
    )  # fmt: skip


def _most_accesses(program: Program) -> int:
    """No handler reads or writes more often than its program has such instructions."""
    ops = program.code[:, 0]
    return max(1, int(np.sum((ops == IN) | (ops == OUT))))


def random_inputs_shape(program: Program, count: int) -> tuple[int, int]:
    """Shape of the `inputs` that `play` takes for `count` calls."""
    return (count, _most_accesses(program))


@kernel
def _play_one(
    code: Record, cost: Record, ints: Record, floats: Record, faults: Record, pc: int,
    inputs: Record, ports: Record, values: Record, counts: Record,
) -> None:  # fmt: skip
    """Run one handler from `pc` to its end."""
    while True:
        pc, _ = run(code, cost, ints, floats, faults, pc)
        op = code[pc, 0]
        if op == RET:
            return
        if op == IN:
            answer = wrap(inputs[counts[READ]], code[pc, 1])
            inputs[counts[READ]] = answer
            ints[code[pc, 2]] = answer
            counts[READ] += 1
        else:
            ports[counts[WRITTEN]] = code[pc, 5]
            values[counts[WRITTEN]] = ints[code[pc, 3]]
            counts[WRITTEN] += 1
        pc += 1


@kernel
def _was_faulty(faults: Record) -> int:
    """1 where a fault has been counted; the counters are 0 again afterwards."""
    found = 0
    for pc in range(faults.shape[0]):
        for column in range(faults.shape[1]):
            if faults[pc, column] != 0:
                faults[pc, column] = 0
                found = 1
    return found


def _entry(
    code: Any, cost: Any, ints: Any, floats: Any, faults: Any, slots: Any, entries: Any, before: Any,
    before_real: Any, inputs: Any, ports: Any, values: Any, counts: Any, after: Any, after_real: Any,
    faulty: Any, instructions: int, cells: int, statics: int, rows: int, most: int,
) -> int:  # fmt: skip
    """Arrays at the addresses given; one call per row."""
    codes = array(code, (instructions, _COLUMNS), np.int32)
    costs = array(cost, instructions, np.int64)
    whole = array(ints, cells, np.int64)
    real = array(floats, cells, np.float64)
    counters = array(faults, (instructions, _FAULT_KINDS), np.int64)
    numbers = array(slots, statics, np.int64)
    first = array(entries, rows, np.int64)
    old = array(before, (rows, statics), np.int64)
    old_real = array(before_real, (rows, statics), np.float64)
    read = array(inputs, (rows, most), np.int64)
    written = array(ports, (rows, most), np.int64)
    offered = array(values, (rows, most), np.int64)
    accesses = array(counts, (rows, 2), np.int64)
    new = array(after, (rows, statics), np.int64)
    new_real = array(after_real, (rows, statics), np.float64)
    flags = array(faulty, rows, np.int64)
    for row in range(rows):
        for n in range(statics):
            whole[numbers[n]] = old[row, n]
            real[numbers[n]] = old_real[row, n]
        _play_one(
            codes,
            costs,
            whole,
            real,
            counters,
            first[row],
            read[row],
            written[row],
            offered[row],
            accesses[row],
        )
        for n in range(statics):
            new[row, n] = whole[numbers[n]]
            new_real[row, n] = real[numbers[n]]
        flags[row] = _was_faulty(counters)
    return 0


native_play = NativeKernel("play", _entry, _ADDRESSES, _INTEGERS)
