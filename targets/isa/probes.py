"""The small C functions whose cycles and bytes are the measured cost rows: one table, cost key -> probe."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from targets.cost_keys import INTEGER_KINDS, WIDTHS_BITS
from targets.isa.operands import (
    Operands,
    anything,
    equal_tuples,
    no_zero_divisor,
    quotient_tuples,
    tuples,
    within,
)
from targets.isa.values import C_TYPES

TABLE_LENGTH: Final = 12
IDENTITY: Final = "identity"

Draw = Callable[[tuple[str, ...], random.Random], Iterator[Operands]]


def index_tuples(kinds: tuple[str, ...], rng: random.Random) -> Iterator[Operands]:
    """Indices of the arrays, with values to store where there is a second operand."""
    for operands in tuples(kinds, rng):
        yield (rng.randrange(TABLE_LENGTH), *operands[1:])


@dataclass(frozen=True, slots=True)
class Probe:
    """One C function for a cost key. `text` is its body; arguments are called a and b.

    typical: the operands whose mean is the typical cost. allowed: which operands C defines.
    subtract_when: operands for which the body executes a NOP that is not part of the operation.
    """

    key: str
    signature: str
    text: str
    typical: Draw = tuples
    allowed: Callable[[Operands], bool] = anything
    subtract_when: Callable[[Operands], bool] | None = None

    @property
    def kinds(self) -> tuple[str, ...]:
        """Kinds of the arguments."""
        return tuple(self.signature.partition("->")[0].split())

    @property
    def function(self) -> str:
        return f"probe_{self.key}"

    def definition(self) -> str:
        """The C function."""
        result = self.signature.partition("->")[2].strip()
        arguments = ", ".join(f"{C_TYPES[k]} {name}" for k, name in zip(self.kinds, "ab", strict=False))
        return f"{C_TYPES.get(result, 'void')} {self.function}({arguments or 'void'}) {{ {self.text} }}\n"


def _operator(key: str, kind: str, operator: str, draw: Draw = tuples) -> Probe:
    allowed = no_zero_divisor if operator in "/%" else anything
    return Probe(key, f"{kind} {kind} -> {kind}", f"return a {operator} b;", draw, allowed)


def _integer_probes(kind: str) -> Iterator[Probe]:
    for word, operator in (("add", "+"), ("sub", "-"), ("and", "&"), ("or", "|"), ("xor", "^")):
        if kind in INTEGER_KINDS or word in ("add", "sub"):
            yield _operator(f"{kind}_{word}", kind, operator)
    yield Probe(f"{kind}_neg", f"{kind} -> {kind}", "return -a;")
    yield from _product_probes(kind)
    for word, operator in (("lt", "<"), ("eq", "==")):
        yield _branch(f"{kind}_branch_{word}", kind, operator)


def _product_probes(kind: str) -> Iterator[Probe]:
    yield _operator(f"{kind}_mul", kind, "*")
    yield _operator(f"{kind}_div", kind, "/", quotient_tuples)
    yield _operator(f"{kind}_mod", kind, "%", quotient_tuples)


def _branch(key: str, kind: str, operator: str) -> Probe:
    """Compare and branch: the NOP stands for the code that is left out when the branch is taken."""
    holds: Callable[[Operands], bool] = {
        "<": lambda operands: operands[0] < operands[1],
        "==": lambda operands: operands[0] == operands[1],
    }[operator]
    text = f'if (a {operator} b) __asm__ volatile ("nop");'
    return Probe(
        key, f"{kind} {kind} ->", text, equal_tuples if operator == "==" else tuples, anything, holds
    )


def _saturating_probes(kind: str) -> Iterator[Probe]:
    """Saturation in the C that `controllers.c` exports; the wide kind of `saturate` has twice the width."""
    c_type, bits = C_TYPES[kind], int(kind[1:])
    signature, wide = f"{kind} {kind} -> {kind}", f"i{2 * bits}"
    if kind.startswith("u"):
        low, high = "0", f"({c_type})-1"
        yield Probe(f"{kind}_sat_add", signature, f"{c_type} s = a + b; return s < a ? {high} : s;")
        yield Probe(f"{kind}_sat_sub", signature, "return a < b ? 0 : a - b;")
    else:
        low, high = f"INT{bits}_MIN", f"INT{bits}_MAX"
        for word, sign, positive, negative in (
            ("add", "+", f"a > {high} - b ? {high}", f"a < {low} - b ? {low}"),
            ("sub", "-", f"a < {low} + b ? {low}", f"a > {high} + b ? {high}"),
        ):
            result = f"({c_type})(a {sign} b)"
            text = f"if (b >= 0) return {positive} : {result}; return {negative} : {result};"
            yield Probe(f"{kind}_sat_{word}", signature, text)
    text = f"if (a > {high}) return {high}; if (a < {low}) return {low}; return ({c_type})a;"
    yield Probe(f"{kind}_saturate", f"{wide} -> {kind}", text)


def _wide_probes() -> Iterator[Probe]:
    for kind in INTEGER_KINDS:
        wide = f"{kind[0]}{2 * int(kind[1:])}"
        text = f"return ({C_TYPES[wide]})a * b;"
        yield Probe(f"{kind}_mul_wide", f"{kind} {kind} -> {wide}", text)
    yield from _integer_probes("i64")
    yield from _product_probes("u64")
    yield Probe("i64_convert", "i32 -> i64", "return a;")
    yield Probe("i64_div_i32", "i64 i32 -> i64", "return a / b;", quotient_tuples, no_zero_divisor)
    yield Probe("i64_div_i16", "i32 i16 -> i32", "return a / b;", quotient_tuples, no_zero_divisor)


def _float_probes(kind: str) -> Iterator[Probe]:
    for word, operator in (("add", "+"), ("sub", "-"), ("mul", "*"), ("div", "/")):
        yield _operator(f"{kind}_{word}", kind, operator)
    yield Probe(f"{kind}_neg", f"{kind} -> {kind}", "return -a;")
    yield _branch(f"{kind}_branch_lt", kind, "<")
    yield _branch(f"{kind}_branch_eq", kind, "==")
    for source in ("u32", "i32"):
        yield Probe(f"{source}_to_{kind}", f"{source} -> {kind}", "return a;")
    yield Probe(f"{kind}_to_i32", f"{kind} -> i32", "return (int32_t)a;", tuples, within("i32"))


def _array_probes(bits: int) -> Iterator[Probe]:
    kind = f"u{bits}"
    yield Probe(f"load_at{bits}", f"u8 -> {kind}", f"return array{bits}[a];", index_tuples)
    yield Probe(f"store_at{bits}", f"u8 {kind} ->", f"array{bits}[a] = b;", index_tuples)
    yield Probe(f"table_at{bits}", f"u8 -> {kind}", f"return table{bits}[a];", index_tuples)


def _all_probes() -> Iterator[Probe]:
    for kind in INTEGER_KINDS:
        yield from _integer_probes(kind)
        yield from _saturating_probes(kind)
    yield from _wide_probes()
    for kind in ("f32", "f64"):
        yield from _float_probes(kind)
    yield Probe("f32_to_f64", "f32 -> f64", "return a;")
    yield Probe("f64_to_f32", "f64 -> f32", "return (float)a;")
    for bits in WIDTHS_BITS:
        yield from _array_probes(bits)
    text = f'if (a < {TABLE_LENGTH}) __asm__ volatile ("nop");'
    inside: Callable[[Operands], bool] = lambda operands: operands[0] < TABLE_LENGTH  # noqa: E731
    yield Probe("index_check", "u8 ->", text, index_tuples, anything, inside)


SHIFT_KINDS: Final = (*INTEGER_KINDS, "i64")
SHIFT_COUNTS: Final = (1, 6, 8)


def shift_probes(kind: str) -> dict[int, list[Probe]]:
    """Shifts by the constants SHIFT_COUNTS that the width allows: count -> to the left, to the right."""
    counts = [count for count in SHIFT_COUNTS if count < int(kind[1:])]
    return {
        count: [
            Probe(f"{kind}_{word}{count}", f"{kind} -> {kind}", f"return a {operator} {count};")
            for word, operator in (("shl", "<<"), ("shr", ">>"))
        ]
        for count in counts
    }


PROBES: Final = {probe.key: probe for probe in _all_probes()}


def source_text(core: str) -> str:
    """One C file with every probe, and the identity function that a program without probe consists of."""
    flash = "__flash " if core.startswith("avr") else ""
    arrays = "".join(
        f"{C_TYPES[f'u{bits}']} array{bits}[{TABLE_LENGTH}];\n"
        f"const {flash}{C_TYPES[f'u{bits}']} table{bits}[{TABLE_LENGTH}] = {{1, 2, 3}};\n"
        for bits in WIDTHS_BITS
    )
    shifts = (probe for kind in SHIFT_KINDS for pair in shift_probes(kind).values() for probe in pair)
    functions = "".join(probe.definition() for probe in (*PROBES.values(), *shifts))
    return f"#include <stdint.h>\n{arrays}void {IDENTITY}(void) {{}}\n{functions}"
