"""The number kinds of the dialect: one table, checked when loaded.

A fixed-point kind is a signed integer kind with a scale: its values are stored as `representation`, and
`fraction_bits` says where the binary point stands.
"""

from dataclasses import dataclass
from typing import Final

WIDTHS_BITS: Final = (8, 16, 32)
WIDE_BITS: Final = 64


@dataclass(frozen=True)
class Kind:
    """One kind of number. `index` is the row of the machine's kind table that stores it."""

    name: str
    bits: int
    signed: bool
    is_float: bool
    index: int
    fraction_bits: int = 0

    @property
    def is_fixed(self) -> bool:
        """Whether the kind is fixed point."""
        return self.fraction_bits > 0

    @property
    def is_integer(self) -> bool:
        """Whether the kind is a plain integer."""
        return not self.is_float and not self.is_fixed

    @property
    def is_wide(self) -> bool:
        """Whether the kind is a 64-bit integer: an intermediate, stored as a bit pattern."""
        return not self.is_float and self.bits == WIDE_BITS

    @property
    def representation(self) -> "Kind":
        """The machine kind that holds the values."""
        return MACHINE_KINDS[self.index]

    @property
    def low(self) -> int:
        """Smallest stored integer (integers and fixed point only)."""
        return -(1 << (self.bits - 1)) if self.signed else 0

    @property
    def high(self) -> int:
        """Largest stored integer (integers and fixed point only)."""
        return (1 << (self.bits - 1)) - 1 if self.signed else (1 << self.bits) - 1


U8: Final = Kind("u8", 8, signed=False, is_float=False, index=0)
I8: Final = Kind("i8", 8, signed=True, is_float=False, index=1)
U16: Final = Kind("u16", 16, signed=False, is_float=False, index=2)
I16: Final = Kind("i16", 16, signed=True, is_float=False, index=3)
U32: Final = Kind("u32", 32, signed=False, is_float=False, index=4)
I32: Final = Kind("i32", 32, signed=True, is_float=False, index=5)
F32: Final = Kind("f32", 32, signed=True, is_float=True, index=6)
F64: Final = Kind("f64", 64, signed=True, is_float=True, index=7)
U64: Final = Kind("u64", 64, signed=False, is_float=False, index=8)
I64: Final = Kind("i64", 64, signed=True, is_float=False, index=9)

MACHINE_KINDS: Final = (U8, I8, U16, I16, U32, I32, F32, F64, U64, I64)
INTEGER_KINDS: Final = tuple(kind for kind in MACHINE_KINDS if kind.is_integer and not kind.is_wide)
WIDE_KINDS: Final = (U64, I64)
KIND_BY_NAME: Final = {kind.name: kind for kind in MACHINE_KINDS}


def _check_table() -> None:
    for position, kind in enumerate(MACHINE_KINDS):
        if kind.index != position:
            raise AssertionError(f"kind {kind.name}: index {kind.index} at position {position}")
        if kind.is_integer and kind.bits not in (*WIDTHS_BITS, WIDE_BITS):
            raise AssertionError(f"kind {kind.name}: {kind.bits} bits")


_check_table()


def doubled(kind: Kind) -> Kind | None:
    """The integer kind of twice the width, or None where there is none."""
    for wide in MACHINE_KINDS:
        if wide.is_integer and (wide.bits, wide.signed) == (2 * kind.bits, kind.signed):
            return wide
    return None


def fixed_kind(integer_bits: int, fraction_bits: int) -> Kind | None:
    """Signed fixed point with `fraction_bits` after the point, or None where the total is no legal width.

    Both notations are read: TI counts the integer bits without the sign (q15.16), Arm counts the sign
    (q16.16). Sources: TMS320C64x DSP library manual appendix A.2; Arm DUI 0066G section 4.7.9.
    """
    total_bits = integer_bits + fraction_bits
    for sign_bits in (1, 0):
        bits = total_bits + sign_bits
        whole_bits = bits - fraction_bits - 1
        if bits in WIDTHS_BITS and fraction_bits > 0 and whole_bits >= 0:
            storage = {8: I8, 16: I16, 32: I32}[bits]
            return Kind(f"q{whole_bits}.{fraction_bits}", bits, True, False, storage.index, fraction_bits)
    return None


def nearest_fixed_name(integer_bits: int, fraction_bits: int) -> str:
    """Name of the legal fixed-point kind nearest in width, with the fraction bits kept where they fit."""
    wanted = integer_bits + fraction_bits + 1
    bits = min(WIDTHS_BITS, key=lambda width: abs(width - wanted))
    kept = min(max(fraction_bits, 1), bits - 1)
    return f"q{bits - 1 - kept}.{kept}"
