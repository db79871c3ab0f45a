"""The operations every target prices: the one list of cost keys, for the data files and for `controllers`.

A key is `kind_operation`. Integer kinds are two's complement; `i64` and `u64` exist as intermediates only.
"""

from __future__ import annotations

from itertools import product

INTEGER_KINDS = ("u8", "i8", "u16", "i16", "u32", "i32")
FLOAT_KINDS = ("f32", "f64")
ARITHMETICS = ("i8", "i16", "i32", "f32", "f64")
"""Kinds that a law can be computed in, beside the fixed-point formats."""
ARITHMETIC_WORDS = f"{', '.join(ARITHMETICS)} or qM.N"
"""As messages and help name them."""
WIDTHS_BITS = (8, 16, 32, 64)
IO_WIDTHS_BITS = (8, 16, 32)

# convert: from any other integer kind to this one. A shift by n = 8 * bytes + bits costs
# base + bits * per_bit + bytes * per_byte.
INTEGER_OPERATIONS = (
    "add", "sub", "mul", "div", "mod", "and", "or", "xor", "neg",
    "shift_base", "shift_per_bit", "shift_per_byte", "branch_lt", "branch_eq", "convert",
)  # fmt: skip
# sat_add, sat_sub: the result stays at the end of the range it would leave. saturate: the same when a signed
# integer of twice the width is narrowed into the kind.
SATURATING_OPERATIONS = ("sat_add", "sat_sub", "saturate")
FLOAT_OPERATIONS = ("add", "sub", "mul", "div", "neg", "branch_lt", "branch_eq")

# K_mul_wide: n x n -> 2n bits, i32_mul_wide: 32 x 32 -> 64. i64_div_i32: 64 bits by 32.
# i64_div_i16: the same step one size down, a 32-bit dividend by a 16-bit divisor.
# i64_convert: between 64 bits and a narrower integer, either way.
WIDE_KEYS = (
    *(f"{kind}_mul_wide" for kind in INTEGER_KINDS),
    "i64_add", "i64_sub", "i64_mul", "i64_div", "i64_mod", "i64_neg",
    "i64_shift_base", "i64_shift_per_bit", "i64_shift_per_byte",
    "i64_branch_lt", "i64_branch_eq", "i64_convert", "i64_div_i32", "i64_div_i16",
    "u64_mul", "u64_div", "u64_mod",
)  # fmt: skip
# Narrower integers reach a float through `i32_convert` or `u32_convert` first.
FLOAT_CONVERSION_KEYS = (
    "u32_to_f32", "i32_to_f32", "f32_to_i32", "u32_to_f64", "i32_to_f64", "f64_to_i32",
    "f32_to_f64", "f64_to_f32",
)  # fmt: skip
# load/store: static variable at a fixed address <-> working registers. const: load an immediate.
# move: register to register. io: peripheral registers.
# load_at, store_at: element of a static array in RAM, table_at: of a constant table in flash; the 8-bit index
# lies in a register, the address is computed. index_check: compare such an index with a constant, branch.
DATA_WORDS = ("load", "store", "const", "move", "load_at", "store_at", "table_at")
IO_WORDS = ("io_read", "io_write")


def build_cost_keys() -> tuple[str, ...]:
    """Every cost key, once, in the order of the tables above."""
    return (
        *(f"{kind}_{operation}" for kind, operation in product(INTEGER_KINDS, INTEGER_OPERATIONS)),
        *(f"{kind}_{operation}" for kind, operation in product(INTEGER_KINDS, SATURATING_OPERATIONS)),
        *WIDE_KEYS,
        *(f"{kind}_{operation}" for kind, operation in product(FLOAT_KINDS, FLOAT_OPERATIONS)),
        *FLOAT_CONVERSION_KEYS,
        *(f"{word}{width}" for word, width in product(DATA_WORDS, WIDTHS_BITS)),
        *(f"{word}{width}" for word, width in product(IO_WORDS, IO_WIDTHS_BITS)),
        "index_check",
        "jump",
    )


COST_KEYS = build_cost_keys()
