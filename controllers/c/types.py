"""C99 types and literals of the machine's kinds, right where int has 16 bits and where it has 32."""

import math
from typing import Final

import numpy as np

from controllers.kinds import F32, KIND_BY_NAME, MACHINE_KINDS, Kind

C_TYPES: Final = {
    "u8": "uint8_t", "i8": "int8_t", "u16": "uint16_t", "i16": "int16_t", "u32": "uint32_t", "i32": "int32_t",
    "f32": "float", "f64": "double", "u64": "uint64_t", "i64": "int64_t",
}  # fmt: skip
_SUFFIXES: Final = {"u8": "u", "u16": "u", "u32": "u", "u64": "ull", "i64": "ll"}
_PLAIN_FROM: Final = 1e-4
_PLAIN_BELOW: Final = 1e17
"""Floats of a size between these two are written without an exponent."""


def c_type(kind: Kind) -> str:
    """C type that holds the values of a kind; fixed point is held as its integer."""
    return C_TYPES[kind.representation.name]


def unsigned_of(kind: Kind) -> Kind:
    """The unsigned integer kind of the same width."""
    return KIND_BY_NAME[f"u{kind.bits}"]


def wide_of(kind: Kind) -> Kind:
    """The integer kind of twice the width and the same sign."""
    return KIND_BY_NAME[f"{'i' if kind.signed else 'u'}{2 * kind.bits}"]


def literal(kind: Kind, value: float) -> str:
    """A constant as C writes it.

    An integer constant takes the first type that holds it (C99 6.4.4.1 p5), so large ones need no suffix
    even where int has 16 bits; the lowest number has no literal, since - is an operator.
    """
    if kind.is_float:
        return _float_literal(kind, value)
    whole = int(value)
    if kind.signed and kind.bits > MACHINE_KINDS[0].bits and whole == kind.low:
        return f"INT{kind.bits}_MIN"
    return f"{whole}{_SUFFIXES.get(kind.name, '')}"


def _float_literal(kind: Kind, value: float) -> str:
    """The shortest decimal that is read back as the same number."""
    if not math.isfinite(value):
        raise AssertionError(f"constant {value} has no literal")
    number = np.float32(value) if kind.index == F32.index else np.float64(value)
    size = abs(value)
    if value == int(value) and size < _PLAIN_BELOW:
        text = f"{value:.1f}"
    elif _PLAIN_FROM <= size < _PLAIN_BELOW:
        text = np.format_float_positional(number, unique=True, trim="0")
    else:
        text = np.format_float_scientific(number, unique=True, trim="0")
    return f"{text}f" if kind.index == F32.index else text
