"""Elements read and written by index, against gcc.

ISO C11 (N1570) 6.5.2.1 p2: a[i] is *(a + i); outside the array it is undefined (6.5.6 p8). Here the last
element answers, and a fault is counted: the judge's C says so in full.
"""

import ctypes
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controllers import machine, opcodes
from controllers.faults import FAULT_NAMES, INDEX
from controllers.kinds import INTEGER_KINDS, U16, Kind
from tests.controllers.support import C_TYPES, FLOAT_KINDS, compile_c

LENGTHS = (1, 2, 5, 256)
BASE = 3  # slots: 0 index, 1 value, 2 result, the array from here on
LAST_INDEX = U16.high
KINDS = (*INTEGER_KINDS, *FLOAT_KINDS)


def c_source() -> str:
    """load and store of every kind, on arrays of doubles, which hold every value of 32 bits."""
    parts = ["#include <stdint.h>\n#define AT(i, n) ((i) < (n) ? (i) : (n) - 1)\n"]
    for kind in KINDS:
        element = C_TYPES[kind.name]
        parts.append(
            f"double {kind.name}_load(const double *v, uint16_t i, int n) {{ {element} a[256];\n"
            f"  for (int k = 0; k < n; k++) a[k] = v[k];\n  return a[AT(i, n)]; }}\n"
            f"void {kind.name}_store(double *v, uint16_t i, int n, double x) {{ {element} a[256];\n"
            f"  for (int k = 0; k < n; k++) a[k] = v[k];\n  a[AT(i, n)] = x;\n"
            f"  for (int k = 0; k < n; k++) v[k] = a[k]; }}\n"
        )
    return "".join(parts)


@pytest.fixture(scope="session")
def judge(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    folder: Path = tmp_path_factory.mktemp("array_judge")
    library = compile_c(folder, c_source())
    for kind in KINDS:
        load, store = getattr(library, f"{kind.name}_load"), getattr(library, f"{kind.name}_store")
        load.argtypes = [ctypes.c_void_p, ctypes.c_uint16, ctypes.c_int]
        load.restype = ctypes.c_double
        store.argtypes = [*load.argtypes, ctypes.c_double]
    return library


def indices(length: int) -> list[int]:
    """Every index, and those just outside, at powers of two and at the end of u16."""
    return sorted({*range(length + 2), *(1 << n for n in range(16)), LAST_INDEX - 1, LAST_INDEX})


def elements(kind: Kind, length: int) -> Any:
    """Different values, both ends of the kind among them."""
    if kind.is_float:
        return (np.arange(length) - length / 2).astype(np.float32).astype(np.float64) / 8
    values = np.linspace(kind.low, kind.high, max(length, 2)).astype(np.int64)[:length]
    return values.astype(np.float64)


def run_one(
    row: tuple[int, ...], kind: Kind, values: Any, index: int, value: float
) -> tuple[Any, float, Any]:
    """(array afterwards, result slot, faults) of one instruction."""
    code = np.array([row, (opcodes.RET, 0, 0, 0, 0, 0)], dtype=np.int32)
    ints = np.zeros(BASE + len(values), dtype=np.int64)
    floats = np.zeros(BASE + len(values))
    image = floats if kind.is_float else ints
    image[BASE:] = values
    ints[0] = index
    image[1] = value
    faults = np.zeros((2, len(FAULT_NAMES)), dtype=np.int64)
    pc, cycles = machine.run(code, np.array([3, 5]), ints, floats, faults, 0)
    assert (pc, cycles) == (1, 8)
    assert not faults[1].any()
    assert ints[0] == index
    return image[BASE:].astype(np.float64), float(image[2]), faults[0]


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_load_answers_as_gcc_and_counts_what_is_no_index(judge: ctypes.CDLL, kind: Kind, length: int) -> None:
    values = elements(kind, length)
    op = opcodes.F_LOAD_AT if kind.is_float else opcodes.LOAD_AT
    for index in indices(length):
        after, result, faults = run_one((op, kind.index, 2, 0, BASE, length), kind, values, index, 0)
        assert result == getattr(judge, f"{kind.name}_load")(values.ctypes.data, index, length)
        np.testing.assert_array_equal(after, values)
        assert (faults[INDEX], faults.sum()) == (index >= length, index >= length)


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_store_changes_one_element_as_gcc_and_counts_what_is_no_index(
    judge: ctypes.CDLL, kind: Kind, length: int
) -> None:
    values = elements(kind, length)
    op = opcodes.F_STORE_AT if kind.is_float else opcodes.STORE_AT
    for index in indices(length):
        value = 7.5 if kind.is_float else 77
        expected = values.copy()
        getattr(judge, f"{kind.name}_store")(expected.ctypes.data, index, length, value)
        after, _, faults = run_one((op, kind.index, BASE, 1, 0, length), kind, values, index, value)
        np.testing.assert_array_equal(after, expected)
        assert (faults[INDEX], faults.sum()) == (index >= length, index >= length)
