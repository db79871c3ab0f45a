"""The small functions that C needs where a plain operator would not do: only those used are written.

Signed results that may leave their type are computed in the unsigned type of the same width, which wraps
(C99 6.2.5 p9), and converted back. That conversion is implementation-defined (6.3.1.3 p3); the header refuses
compilers that do not keep the low bits. Signed overflow itself would be undefined (6.5 p5), as are x / 0,
x % 0 (6.5.5 p5), the lowest number / -1 (6.5.5 p6: the quotient must be representable) and float to integer
out of range (6.3.1.4 p1).
"""

import math
import struct
from collections.abc import Callable
from typing import Final

from controllers.c.types import c_type, literal, unsigned_of, wide_of
from controllers.kinds import Kind

INT_BITS: Final = 16
"""The least that int has (5.2.4.2.1): narrower operands are computed in int and cannot overflow there."""


class Helpers:
    """Collects the helper functions that an exported law uses, in the order of first use."""

    def __init__(self) -> None:
        self._texts: dict[str, str] = {}

    @property
    def text(self) -> str:
        """All of them as C."""
        return "\n".join(self._texts[name] for name in sorted(self._texts))

    def need(self, family: str, kind: Kind, source: Kind | None = None) -> str:
        """Name of the function of a family for a kind; `source` is the type of the operand if another."""
        return self._add(FAMILIES[family](family, kind.representation, (source or kind).representation))

    def need_hold(self, kind: Kind, source: Kind, bits: int) -> str:
        """Name of the function that holds x * 2**bits within a kind."""
        return self._add(_hold_shifted("sat", kind.representation, source.representation, bits))

    def need_divide(self, kind: Kind, bits: int) -> str:
        """Name of the function that divides a * 2**bits."""
        return self._add(_divide_shifted(kind.representation, bits))

    def _add(self, function: tuple[str, str]) -> str:
        name, self._texts[name] = function
        return name


def _function(comment: str, name: str, kind: Kind, arguments: str, *lines: str) -> tuple[str, str]:
    body = "".join(f"    {line}\n" for line in lines)
    head = f"static inline {c_type(kind)} {name}({arguments})"
    return name, f"/* {comment} */\n{head}\n{{\n{body}}}\n"


def _two(kind: Kind) -> str:
    return f"{c_type(kind)} a, {c_type(kind)} b"


def _wrapping(sign: str) -> "Family":
    def family(word: str, kind: Kind, _: Kind) -> tuple[str, str]:
        own, bare = c_type(kind), c_type(unsigned_of(kind))
        # (unsigned): u16 * u16 would be promoted to int and overflow there (6.3.1.1 p2)
        wide = "unsigned" if sign == "*" and kind.bits == INT_BITS else bare
        operation = f"({wide})a {sign} ({wide})b"
        comment = f"a {sign} b, wraps as two's complement does (6.2.5 p9)"
        return _function(comment, f"{word}_{kind.name}", kind, _two(kind), f"return ({own})({operation});")

    return family


def _negate(word: str, kind: Kind, _: Kind) -> tuple[str, str]:
    own, bare = c_type(kind), c_type(unsigned_of(kind))
    return _function("-a, wraps as two's complement does (6.2.5 p9)", f"{word}_{kind.name}", kind, f"{own} a",
                     f"return ({own})(0u - ({bare})a);")  # fmt: skip


def _divide(word: str, kind: Kind, _: Kind) -> tuple[str, str]:
    own, bare, zero = c_type(kind), c_type(unsigned_of(kind)), literal(kind, 0)
    lines = [f"if (b == {zero}) {{", f"    return {zero};", "}"]
    comment = "a / b toward zero; 0 where b is 0 (6.5.5 p5)"
    if kind.signed and kind.bits >= INT_BITS:
        comment += ", the lowest number / -1 wraps (6.5.5 p6)"
        lines += ["if (b == -1) {", f"    return ({own})(0u - ({bare})a);", "}"]
    return _function(comment, f"{word}_{kind.name}", kind, _two(kind), *lines, f"return ({own})(a / b);")


def _divide_shifted(kind: Kind, bits: int) -> tuple[str, str]:
    """A power of two times a negative number is defined, its shift to the left is not (6.5.7 p4)."""
    own, wide = c_type(kind), wide_of(kind)
    return _function(
        f"a * 2**{bits} / b in double width, toward zero; 0 where b is 0 (6.5.5 p5)",
        f"div_{kind.name}_shl{bits}", kind, _two(kind), "if (b == 0) {", "    return 0;", "}",
        f"return ({own})(({c_type(wide)})a * {literal(wide, 1 << bits)} / b);",
    )  # fmt: skip


def _remainder(word: str, kind: Kind, _: Kind) -> tuple[str, str]:
    own, zero = c_type(kind), literal(kind, 0)
    test, comment = f"b == {zero}", "a % b with the sign of a; 0 where b is 0 (6.5.5 p5)"
    if kind.signed and kind.bits >= INT_BITS:
        test += " || b == -1"
        comment += " or -1 (6.5.5 p6)"
    return _function(comment, f"{word}_{kind.name}", kind, _two(kind),
                     f"if ({test}) {{", f"    return {zero};", "}", f"return ({own})(a % b);")  # fmt: skip


def _saturating_add(word: str, kind: Kind, _: Kind) -> tuple[str, str]:
    own, low, high = c_type(kind), _low(kind), literal(kind, kind.high)
    comment, name = f"a + b, held within {low}..{high}", f"{word}_{kind.name}"
    if not kind.signed:
        lines = [f"{own} sum = ({own})(a + b);", f"return sum < a ? {high} : sum;"]
    else:
        lines = [
            "if (b >= 0) {", f"    return a > {high} - b ? ({own}){high} : ({own})(a + b);", "}",
            f"return a < {low} - b ? ({own}){low} : ({own})(a + b);",
        ]  # fmt: skip
    return _function(comment, name, kind, _two(kind), *lines)


def _saturating_sub(word: str, kind: Kind, _: Kind) -> tuple[str, str]:
    own, low, high = c_type(kind), _low(kind), literal(kind, kind.high)
    comment, name = f"a - b, held within {low}..{high}", f"{word}_{kind.name}"
    if not kind.signed:
        return _function(comment, name, kind, _two(kind), f"return a < b ? {low} : ({own})(a - b);")
    return _function(comment, name, kind, _two(kind),
                     "if (b >= 0) {", f"    return a < {low} + b ? ({own}){low} : ({own})(a - b);", "}",
                     f"return a > {high} + b ? ({own}){high} : ({own})(a - b);")  # fmt: skip


def _low(kind: Kind) -> str:
    return literal(kind, kind.low)


def _hold_shifted(word: str, kind: Kind, source: Kind, bits: int) -> tuple[str, str]:
    """x * 2**bits held within a kind; what would leave it is found before the shift."""
    low, high = max(kind.low >> bits, source.low), min(kind.high >> bits, source.high)
    lines: list[str] = []
    if high < source.high:
        lines += [f"if (x > {literal(source, high)}) {{", f"    return {literal(kind, kind.high)};", "}"]
    if low > source.low:
        lines += [f"if (x < {literal(source, low)}) {{", f"    return {literal(kind, kind.low)};", "}"]
    own, bare = c_type(kind), c_type(unsigned_of(kind))
    lines += [f"return ({own})(({bare})x << {bits});" if bits else f"return ({own})x;"]
    shown, name = (f"x << {bits}", f"_shl{bits}") if bits else ("x", "")
    comment = f"{shown}, held within {literal(kind, kind.low)}..{literal(kind, kind.high)}"
    name = f"{word}_{kind.name}_{source.name}{name}"
    return _function(comment, name, kind, f"{c_type(source)} x", *lines)


def _from_float(word: str, kind: Kind, source: Kind) -> tuple[str, str]:
    """Numbers of one sign are in the order of their bits (IEEE 754-2008, 3.4), so one comparison of integers
    finds what needs no guard; a comparison of floats is a long library call on most of these targets."""
    own, bare, real = c_type(kind), c_type(unsigned_of(source)), c_type(source)
    zero, low, high = literal(kind, 0), literal(kind, kind.low), literal(kind, kind.high)
    lines = ["union {", f"    {real} value;", f"    {bare} bits;", "} pattern;", "pattern.value = x;"]
    above, infinity = _pattern(source, kind.high + 1.0), _pattern(source, math.inf)
    if kind.signed:
        sign = _pattern(source, -0.0)
        lines += [f"if ((pattern.bits & ~{sign}) < {above}) {{", f"    return ({own})x;", "}"]
        lines += [f"if ((pattern.bits & ~{sign}) > {infinity}) {{", f"    return {zero};", "}"]
        lines += [f"return pattern.bits < {sign} ? {high} : {low};"]
    else:
        lines += [f"if (pattern.bits < {above}) {{", f"    return ({own})x;", "}"]
        lines += [f"return pattern.bits <= {infinity} ? {high} : {zero};"]
    comment = f"x without its fraction, held within {low}..{high}; 0 for NaN (6.3.1.4 p1, IEEE 754 3.4)"
    return _function(comment, f"{kind.name}_{word}_{source.name}", kind, f"{real} x", *lines)


def _pattern(kind: Kind, value: float) -> str:
    """The bits of a float."""
    form = "f" if kind.bits == INT_BITS * 2 else "d"
    return f"0x{struct.pack(f'>{form}', value).hex().upper()}{'u' if form == 'f' else 'ull'}"


def _index(word: str, kind: Kind, _: Kind) -> tuple[str, str]:
    own = c_type(kind)
    return _function("an index, or the last one where there is no such element", f"{word}_{kind.name}", kind,
                     f"{own} i, {own} last", "return i < last ? i : last;")  # fmt: skip


Family = Callable[[str, Kind, Kind], tuple[str, str]]
FAMILIES: Final[dict[str, Family]] = {
    "add": _wrapping("+"),
    "sub": _wrapping("-"),
    "mul": _wrapping("*"),
    "neg": _negate,
    "div": _divide,
    "mod": _remainder,
    "sat_add": _saturating_add,
    "sat_sub": _saturating_sub,
    "from": _from_float,
    "index": _index,
}
