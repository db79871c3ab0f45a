"""The AVR model against published cycle counts."""

from __future__ import annotations

import pytest

from tests.targets.isa.support import shared_machine

# AVR-LibC 2.0.0 manual, Benchmarks (avr-gcc 4.7.1), cycles on avr2 (no MUL) and avr4 (MUL).
# Function, arguments (float), cycles on avr2, on avr4.
AVR_LIBC_MATH = [
    ("__addsf3", (1.234, 5.678), 113, 108),
    ("__mulsf3", (1.234, 5.678), 375, 138),
    ("__divsf3", (1.234, 5.678), 466, 465),
    ("acos", (0.54321,), 4411, 2455),
    ("asin", (0.54321,), 4517, 2556),
    ("atan", (0.54321,), 4710, 2271),
    ("atan2", (1.234, 5.678), 5270, 2857),
    ("ceil", (1.2345,), 177, 177),
    ("cos", (1.2345,), 3387, 1671),
    ("exp", (1.2345,), 4708, 2765),
    ("floor", (1.2345,), 180, 180),
    ("fmax", (1.234, 5.678), 39, 37),
    ("fmin", (1.234, 5.678), 35, 35),
    ("fmod", (5.678, 1.234), 131, 131),
    ("hypot", (1.234, 5.678), 1341, 866),
    ("log", (1.2345,), 4142, 2134),
    ("pow", (1.234, 5.678), 9293, 5047),
    ("round", (1.2345,), 150, 150),
    ("sin", (1.2345,), 3353, 1653),
    ("sqrt", (1.2345,), 494, 492),
    ("trunc", (1.2345,), 178, 178),
]
RCALL_CYCLES = 3  # the published figures hold the call, `Machine.call` does not

# Functions of the table that take what this interface does not pass as a float.
AVR_LIBC_MIXED = [
    ("ldexp", (1.2345, 6), "f32 i16 -> f32", 42, 42),
    ("frexp", (1.2345, 0x400), "f32 u16 -> f32", 42, 41),
    ("modf", (1.2345, 0), "f32 u16 -> f32", 433, 429),  # null pointer: the whole part is not stored
]

MATH_SOURCE = """
#include <math.h>
#include <stdlib.h>
float operators(float a, float b) { return a + b - a * b / a; }
const void *const all[] = {
    acos, asin, atan, atan2, ceil, cos, exp, floor, fmax, fmin, fmod, hypot, log, pow, round, sin, sqrt,
    trunc, ldexp, frexp, modf, itoa,
};
"""


@pytest.mark.parametrize(("core", "column"), [("avr2", 0), ("avr4", 1)])
@pytest.mark.parametrize("row", AVR_LIBC_MATH, ids=[row[0] for row in AVR_LIBC_MATH])
def test_every_row_of_the_avr_libc_table_comes_out_exactly(
    row: tuple[str, tuple[float, ...], int, int], core: str, column: int
) -> None:
    name, arguments, *published = row
    signature = " ".join(["f32"] * len(arguments)) + " -> f32"
    result = shared_machine(MATH_SOURCE, core).call(name, *arguments, signature=signature)
    assert result.cycles + RCALL_CYCLES == published[column]


@pytest.mark.parametrize(("core", "column"), [("avr2", 0), ("avr4", 1)])
@pytest.mark.parametrize("row", AVR_LIBC_MIXED, ids=[row[0] for row in AVR_LIBC_MIXED])
def test_rows_with_other_arguments_come_out_exactly(
    row: tuple[str, tuple[float, ...], str, int, int], core: str, column: int
) -> None:
    name, arguments, signature, *published = row
    result = shared_machine(MATH_SOURCE, core).call(name, *arguments, signature=signature)
    assert result.cycles + RCALL_CYCLES == published[column]


@pytest.mark.parametrize(("core", "published"), [("avr2", 879), ("avr25", 875), ("avr4", 875)])
def test_itoa_takes_what_the_library_table_says(core: str, published: int) -> None:
    """With a constant radix the library's header calls __itoa_ncheck in place of itoa."""
    signature = "i16 u16 i16 -> u16"
    result = shared_machine(MATH_SOURCE, core).call("__itoa_ncheck", 12345, 0x400, 10, signature=signature)
    assert result.cycles + RCALL_CYCLES == published


INTEGER_SOURCE = """
#include <stdint.h>
uint16_t divide16(uint16_t a, uint16_t b) { return a / b; }
uint32_t divide32(uint32_t a, uint32_t b) { return a / b; }
uint32_t multiply32(uint32_t a, uint32_t b) { return a * b; }
uint32_t multiply16(uint16_t a, uint16_t b) { return (uint32_t)a * b; }
"""
# libgcc, counted from the listing of lib1funcs.S with the manual's table, call excluded, return included; on
# cores with MOVW. base + per_one_bit * (one bits of the quotient).
DIVISIONS = [("__udivmodhi4", "u16", 193, 1), ("__udivmodsi4", "u32", 569, 3)]
QUOTIENTS = [(0, 1), (1, 1), (0xFFFF, 1), (1000, 7), (40000, 3), (12345, 12345), (65535, 255)]


@pytest.mark.parametrize(("name", "kind", "base", "per_one_bit"), DIVISIONS)
@pytest.mark.parametrize(("dividend", "divisor"), QUOTIENTS)
def test_division_takes_the_count_from_the_listing(
    name: str, kind: str, base: int, per_one_bit: int, dividend: int, divisor: int
) -> None:
    machine = shared_machine(INTEGER_SOURCE, "avr5")
    result = machine.call(name, dividend, divisor, signature=f"{kind} {kind} -> {kind}")
    assert result.cycles == base + per_one_bit * (dividend // divisor).bit_count()


@pytest.mark.parametrize(("name", "cycles"), [("__umulhisi3", 22), ("__muluhisi3", 41), ("__mulsi3", 69)])
def test_multiplication_takes_the_count_from_the_listing(name: str, cycles: int) -> None:
    result = shared_machine(INTEGER_SOURCE, "avr5").call(name, 3, 5, signature="u32 u32 -> u32")
    assert result.cycles == cycles
