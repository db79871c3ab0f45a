"""Arithmetic of the machine up to 32 bits, of floats and of arrays; 64 bits are in `wide`.

Semantics are those that `machine` states. Up to 32 bits the exact result fits an int64 cell, so a wrap shows
as a change of value.
"""

from typing import Any, Final

import numpy as np

from controllers.faults import CONVERSION, INDEX, OVERFLOW, ZERO_DIVISION
from controllers.jit import kernel
from controllers.kinds import F32, MACHINE_KINDS, U32, U64
from controllers.wide import wrap

Record = Any

_SINGLE: Final = F32.index
_LOW: Final = np.array([0 if k.is_float or k.is_wide else k.low for k in MACHINE_KINDS], dtype=np.int64)
_HIGH: Final = np.array([0 if k.is_float or k.is_wide else k.high for k in MACHINE_KINDS], dtype=np.int64)
PRODUCT: Final = np.array([U64.index if k is U32 else k.index for k in MACHINE_KINDS], dtype=np.int64)
POWER: Final = np.array([2.0**n for n in range(64)], dtype=np.float64)


@kernel
def rounded(value: float, kind: int) -> float:
    """`value` rounded to float32 where `kind` is f32."""
    if kind == _SINGLE:
        return float(np.float64(np.float32(value)))
    return value


@kernel
def truncated_quotient(a: int, b: int) -> int:
    """a / b toward zero; b must not be 0."""
    size = abs(a) // abs(b)
    return size if (a < 0) == (b < 0) else -size


@kernel
def saturated(value: float, kind: int) -> int:
    """`value` without its fraction, held within integer kind number `kind`; 0 for NaN."""
    if value > _HIGH[kind]:
        return int(_HIGH[kind])
    if value < _LOW[kind]:
        return int(_LOW[kind])
    return int(value) if value == value else 0


@kernel
def store_counted(ints: Record, faults: Record, pc: int, dst: int, exact: int, kind: int, fault: int) -> None:
    """ints[dst] = `exact` wrapped to `kind`; a change of value counts as `fault` of instruction pc."""
    wrapped = wrap(exact, kind)
    ints[dst] = wrapped
    if wrapped != exact:
        faults[pc, fault] += 1


@kernel
def divide(ints: Record, faults: Record, pc: int, dst: int, x: int, y: int, kind: int) -> None:
    """ints[dst] = x / y toward zero, 0 where y is 0."""
    if y == 0:
        faults[pc, ZERO_DIVISION] += 1
        ints[dst] = 0
    else:
        store_counted(ints, faults, pc, dst, truncated_quotient(x, y), kind, OVERFLOW)


@kernel
def remainder(ints: Record, faults: Record, pc: int, dst: int, x: int, y: int) -> None:
    """ints[dst] = x % y with the sign of x, 0 where y is 0."""
    if y == 0:
        faults[pc, ZERO_DIVISION] += 1
        ints[dst] = 0
    else:
        ints[dst] = x - truncated_quotient(x, y) * y


@kernel
def rescaled(value: int, bits: int) -> int:
    """`value` times 2**bits, toward minus infinity where bits < 0."""
    return value << bits if bits >= 0 else value >> -bits


@kernel
def store_float(floats: Record, faults: Record, pc: int, dst: int, value: float, kind: int) -> None:
    """floats[dst] = `value` rounded to `kind`; an infinite result counts as overflow."""
    result = rounded(value, kind)
    floats[dst] = result
    if abs(result) == np.inf:
        faults[pc, OVERFLOW] += 1


@kernel
def divide_float(floats: Record, faults: Record, pc: int, dst: int, x: float, y: float, kind: int) -> None:
    """floats[dst] = x / y by IEEE 754, counted where y is 0."""
    if y == 0.0:
        faults[pc, ZERO_DIVISION] += 1
        floats[dst] = x / y
    else:
        store_float(floats, faults, pc, dst, x / y, kind)


@kernel
def store_truncated(ints: Record, faults: Record, pc: int, dst: int, value: float, kind: int) -> None:
    """ints[dst] = `value` without its fraction, saturated to `kind` and counted where it does not fit."""
    whole = np.trunc(value)
    result = saturated(whole, kind)
    ints[dst] = result
    if result != whole:
        faults[pc, CONVERSION] += 1


@kernel
def element(faults: Record, pc: int, base: int, index: int, length: int) -> int:
    """Slot of element `index` of an array; the last one, counted, where there is no such element."""
    if 0 <= index < length:
        return base + index
    faults[pc, INDEX] += 1
    return base + length - 1
