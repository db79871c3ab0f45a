"""Typed values at the border between Python and a simulated core: signatures, raw bits."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from typing import Final

KIND_BYTES: Final = {
    "u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "i32": 4, "u64": 8, "i64": 8, "f32": 4, "f64": 8,
}  # fmt: skip
C_TYPES: Final = {
    "u8": "uint8_t", "i8": "int8_t", "u16": "uint16_t", "i16": "int16_t", "u32": "uint32_t", "i32": "int32_t",
    "u64": "uint64_t", "i64": "int64_t", "f32": "float", "f64": "double",
}  # fmt: skip
_KINDS: Final = {c_type: kind for kind, c_type in C_TYPES.items()}
_DECLARATION: Final = re.compile(r"(\w+)\s+(\w+)\s*\(([\w\s,]*)\)\s*;?")
_FLOAT_FORMATS: Final = {4: ("<f", "<I"), 8: ("<d", "<Q")}

Value = int | float


@dataclass(frozen=True, slots=True)
class Signature:
    """Kinds of the arguments of a C function and of its result (None: void)."""

    arguments: tuple[str, ...]
    result: str | None


def parse_signature(text: str) -> Signature:
    """The signature written as "u16 i32 -> f32", "u16 ->" or "->".

    Raises ValueError where a kind is none of KIND_BYTES or there are several results.
    """
    arguments, arrow, results = text.partition("->")
    kinds = (*arguments.split(), *results.split())
    unknown = [kind for kind in kinds if kind not in KIND_BYTES]
    if unknown or not arrow or len(results.split()) > 1:
        raise ValueError(f"a signature is written as 'u16 i32 -> f32', found {text!r}")
    return Signature(tuple(arguments.split()), next(iter(results.split()), None))


def signature_of(declaration: str) -> tuple[str, str]:
    """(name, signature) of a C declaration: "uint16_t hw_timer(void)" -> ("hw_timer", "-> u16").

    Raises ValueError where it is none, or holds another type than void and those of C_TYPES.
    """
    found = _DECLARATION.fullmatch(declaration.strip())
    arguments = [] if found is None or found[3].strip() in ("", "void") else found[3].split(",")
    types = [argument.split()[0] for argument in arguments]
    if found is None or any(name not in _KINDS for name in types) or found[1] not in (*_KINDS, "void"):
        raise ValueError(f"a declaration is written as 'uint16_t hw_timer(void)', found {declaration!r}")
    signature = f"{' '.join(_KINDS[name] for name in types)} -> {_KINDS.get(found[1], '')}"
    return found[2], signature.strip()


def to_bits(value: Value, kind: str, size_bytes: int) -> int:
    """The bits of `value`, as `size_bytes` bytes hold them; integers wrap.

    size_bytes is that of the kind, except for f64 on avr-libc 2.0.0 (4 bytes).
    """
    if kind.startswith("f"):
        as_float, as_bits = _FLOAT_FORMATS[size_bytes]
        return int(struct.unpack(as_bits, struct.pack(as_float, value))[0])
    return int(value) & ((1 << (8 * size_bytes)) - 1)


def from_bits(bits: int, kind: str, size_bytes: int) -> Value:
    """The value that `size_bytes` bytes with these bits stand for."""
    width = 8 * size_bytes
    bits &= (1 << width) - 1
    if kind.startswith("f"):
        as_float, as_bits = _FLOAT_FORMATS[size_bytes]
        return float(struct.unpack(as_float, struct.pack(as_bits, bits))[0])
    return bits - (1 << width) if kind.startswith("i") and bits >> (width - 1) else bits
