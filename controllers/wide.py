"""64-bit intermediates of the machine. i64 and u64 share one image: int64 cells that hold the bit pattern.

Semantics are those of `machine`, in 64 bits: wrap at the width, division toward zero, 0 where the divisor is
0. What the unbounded result would have been is not known in 64 bits, so each kernel says itself whether it
wrapped.
"""

from typing import Any, Final

import numpy as np

from controllers.faults import CONVERSION, OVERFLOW, ZERO_DIVISION
from controllers.jit import kernel
from controllers.kinds import I64, MACHINE_KINDS, U64

Record = Any

_LOWEST: Final = -(1 << 63)
_HIGHEST: Final = (1 << 63) - 1
_UNSIGNED: Final = U64.index
_SIGNED: Final = I64.index


def _as_cell(value: int) -> int:
    """The int64 cell that holds the low 64 bits of `value`."""
    return (value + (1 << 63)) % (1 << 64) - (1 << 63)


# integer kinds only; the rows of the float kinds are never read
_LOW: Final = np.array([0 if k.is_float else _as_cell(k.low) for k in MACHINE_KINDS], dtype=np.int64)
_HIGH: Final = np.array([0 if k.is_float else _as_cell(k.high) for k in MACHINE_KINDS], dtype=np.int64)
BIAS: Final = np.array([0 if k.is_float else _as_cell(-k.low) for k in MACHINE_KINDS], dtype=np.int64)
MASK: Final = np.array(
    [0 if k.is_float else _as_cell((1 << k.bits) - 1) for k in MACHINE_KINDS], dtype=np.int64
)


# numba marks the sums, differences and products of signed integers as free of overflow (nsw), and LLVM then
# proves that (a * b) / a is b. Where a cell may wrap, the operation is therefore done on unsigned numbers.
@kernel
def cell_sum(a: int, b: int) -> Any:
    """Low 64 bits of a + b."""
    return np.int64(np.uint64(np.int64(a)) + np.uint64(np.int64(b)))


@kernel
def cell_difference(a: int, b: int) -> Any:
    """Low 64 bits of a - b."""
    return np.int64(np.uint64(np.int64(a)) - np.uint64(np.int64(b)))


@kernel
def cell_product(a: int, b: int) -> Any:
    """Low 64 bits of a * b."""
    return np.int64(np.uint64(np.int64(a)) * np.uint64(np.int64(b)))


@kernel
def wrap(value: int, kind: int) -> int:
    """`value` reduced to the two's complement range of integer kind number `kind`."""
    return int(cell_difference(cell_sum(value, BIAS[kind]) & MASK[kind], BIAS[kind]))


@kernel
def is_below(a: int, b: int, kind: int) -> bool:
    """a < b, as u64 or as i64."""
    if kind == _UNSIGNED:
        return (a ^ _LOWEST) < (b ^ _LOWEST)
    return a < b


@kernel
def _quotient(a: int, b: int, kind: int) -> int:
    """a / b toward zero, wrapped; b must not be 0."""
    if kind == _UNSIGNED:
        return int(np.int64(np.uint64(np.int64(a)) // np.uint64(np.int64(b))))
    if b == -1:  # the processor itself traps on the lowest number / -1
        return int(cell_difference(0, a))
    floor = a // b
    return floor + 1 if cell_product(floor, b) != a and (a < 0) != (b < 0) else floor


@kernel
def _store(ints: Record, faults: Record, pc: int, dst: int, value: int, has_wrapped: bool) -> None:
    ints[dst] = value
    if has_wrapped:
        faults[pc, OVERFLOW] += 1


@kernel
def wide_add(ints: Record, faults: Record, pc: int, dst: int, a: int, b: int, kind: int) -> None:
    """ints[dst] = a + b."""
    total = cell_sum(a, b)
    carried = is_below(total, a, kind) if kind == _UNSIGNED else ((a ^ total) & (b ^ total)) < 0
    _store(ints, faults, pc, dst, total, carried)


@kernel
def wide_sub(ints: Record, faults: Record, pc: int, dst: int, a: int, b: int, kind: int) -> None:
    """ints[dst] = a - b."""
    rest = cell_difference(a, b)
    borrowed = is_below(a, b, kind) if kind == _UNSIGNED else ((a ^ b) & (a ^ rest)) < 0
    _store(ints, faults, pc, dst, rest, borrowed)


@kernel
def wide_mul(ints: Record, faults: Record, pc: int, dst: int, a: int, b: int, kind: int) -> None:
    """ints[dst] = a * b."""
    product = cell_product(a, b)
    fits = a == 0 or (_quotient(product, a, kind) == b and not (a == -1 and b == _LOWEST and kind == _SIGNED))
    _store(ints, faults, pc, dst, product, not fits)


@kernel
def wide_div(ints: Record, faults: Record, pc: int, dst: int, a: int, b: int, kind: int) -> None:
    """ints[dst] = a / b toward zero, 0 where b is 0."""
    if b == 0:
        faults[pc, ZERO_DIVISION] += 1
        ints[dst] = 0
    else:
        _store(ints, faults, pc, dst, _quotient(a, b, kind), kind == _SIGNED and b == -1 and a == _LOWEST)


@kernel
def wide_mod(ints: Record, faults: Record, pc: int, dst: int, a: int, b: int, kind: int) -> None:
    """ints[dst] = a % b with the sign of a, 0 where b is 0."""
    if b == 0:
        faults[pc, ZERO_DIVISION] += 1
        ints[dst] = 0
    else:
        ints[dst] = cell_difference(a, cell_product(_quotient(a, b, kind), b))


@kernel
def wide_neg(ints: Record, faults: Record, pc: int, dst: int, a: int, kind: int) -> None:
    """ints[dst] = -a."""
    _store(ints, faults, pc, dst, cell_difference(0, a), a != 0 if kind == _UNSIGNED else a == _LOWEST)


@kernel
def wide_shr(value: int, count: int, kind: int) -> int:
    """value >> count, arithmetic where signed."""
    if kind == _UNSIGNED:
        return int(np.int64(np.uint64(np.int64(value)) >> np.uint64(count)))
    return value >> count


@kernel
def wide_shl(ints: Record, faults: Record, pc: int, dst: int, a: int, count: int, kind: int) -> None:
    """ints[dst] = a << count; lost bits are counted."""
    shifted = a << count
    _store(ints, faults, pc, dst, shifted, wide_shr(shifted, count, kind) != a)


@kernel
def wide_convert(ints: Record, faults: Record, pc: int, dst: int, value: int, kind: int, source: int) -> None:
    """ints[dst] = (kind) value; a change of value is counted. One of the two kinds has 64 bits."""
    result = wrap(value, kind)
    ints[dst] = result
    changes_sign = value < 0 and (kind == _UNSIGNED) != (source == _UNSIGNED)
    if result != value or changes_sign:
        faults[pc, CONVERSION] += 1


@kernel
def clamped(value: int, kind: int, source: int) -> int:
    """`value` of integer kind number `source` held within integer kind number `kind`."""
    if source == _UNSIGNED and value < 0:
        return value if kind == _UNSIGNED else int(_HIGH[kind])
    if kind == _UNSIGNED:
        return max(value, 0)
    return min(max(value, int(_LOW[kind])), int(_HIGH[kind]))
