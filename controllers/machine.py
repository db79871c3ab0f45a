"""The machine: executes a Program bit-true and counts its cycles.

Arithmetic is C's on two's complement hardware (ISO C11, N1570, with the choices every embedded compiler
makes): unsigned wraps (6.2.5 p9), signed wraps as with -fwrapv, division truncates toward zero (6.5.5 p6), >>
of a negative number is arithmetic (6.5.7 p5), conversion to a narrower integer keeps the low bits (6.3.1.3),
float to integer drops the fraction (6.3.1.4). Where C leaves the result open it is defined here and counted:
x/0 and x%0 are 0, float to integer saturates, NaN becomes 0. f32 results are float64 results rounded once
more, which gives the float32 result of one operation: on normal numbers by Figueroa (ACM SIGNUM 30(3),
1995), on subnormal ones because sums and products are exact in float64 there and a quotient of 24-bit numbers
keeps 2**-48 of itself away from every tie (tests/controllers/test_float_semantics.py).

Float arithmetic keeps IEEE 754: x/0 is an infinity (0/0 a NaN), counted as a division by zero; any other
infinite result counts as overflow, also that of an infinite operand.
"""

from typing import Any, Final

import numpy as np

from controllers.faults import CONVERSION, OVERFLOW
from controllers.jit import kernel
from controllers.narrow import (
    POWER,
    PRODUCT,
    divide,
    divide_float,
    element,
    remainder,
    rescaled,
    rounded,
    saturated,
    store_counted,
    store_float,
    store_truncated,
)
from controllers.opcodes import (
    ADD,
    AND,
    CONVERT,
    DIV,
    DIV_SHIFT,
    F_ADD,
    F_CONVERT,
    F_DIV,
    F_JUMP_EQ,
    F_JUMP_LE,
    F_JUMP_LT,
    F_JUMP_NE,
    F_JUMP_NOT_LE,
    F_JUMP_NOT_LT,
    F_LOAD_AT,
    F_MOVE,
    F_MUL,
    F_NEG,
    F_STORE_AT,
    F_SUB,
    FLOAT_TO_INT,
    IN,
    INT_TO_FLOAT,
    JUMP,
    JUMP_EQ,
    JUMP_LE,
    JUMP_LT,
    JUMP_NE,
    JUMP_NOT_LE,
    JUMP_NOT_LT,
    LOAD_AT,
    MOD,
    MOVE,
    MUL,
    MUL_SHIFT,
    MUL_WIDE,
    NEG,
    OR,
    OUT,
    RET,
    SAT_ADD,
    SAT_CONVERT,
    SAT_FROM_FLOAT,
    SAT_MUL_SHIFT,
    SAT_SUB,
    SHL,
    SHR,
    STORE_AT,
    SUB,
    WIDE_ADD,
    WIDE_CONVERT,
    WIDE_DIV,
    WIDE_JUMP_LE,
    WIDE_JUMP_LT,
    WIDE_MOD,
    WIDE_MUL,
    WIDE_NEG,
    WIDE_SHL,
    WIDE_SHR,
    WIDE_SUB,
    WRAP_ADD,
    WRAP_CONVERT,
    WRAP_SUB,
    XOR,
)  # fmt: skip
from controllers.wide import (
    cell_product,
    clamped,
    is_below,
    wide_add,
    wide_convert,
    wide_div,
    wide_mod,
    wide_mul,
    wide_neg,
    wide_shl,
    wide_shr,
    wide_sub,
    wrap,
)

Record = Any

UNLIMITED: Final = 1 << 62
"""A budget of cycles that no run spends."""


@kernel
def run(code: Record, cost: Record, ints: Record, floats: Record, faults: Record, pc: int) -> tuple[int, int]:
    """Execute from `pc` up to the next IN, OUT or RET.

    Arguments: as `run_until`.
    Returns: (pc of the instruction that stopped, cycles including that instruction). The caller makes the
    port access (IN: writes ints[dst]; OUT: reads ints[a]; port number in column 5) and resumes at pc + 1.
    """
    pc, cycles = run_until(code, cost, ints, floats, faults, pc, UNLIMITED)
    return pc, cycles + cost[pc]


@kernel
def run_until(  # noqa: C901 (one chain over the instruction set; each operation is a helper)
    code: Record, cost: Record, ints: Record, floats: Record, faults: Record, pc: int, budget: int
) -> tuple[int, int]:
    """Execute whole instructions from `pc` while they take at most `budget` cycles together, and none from
    the next IN, OUT or RET on.

    Arguments: code int32[n, 6] C-contiguous; cost int64[n] CPU clock cycles per instruction; ints
    int64[slots] and floats float64[slots], written; faults int64[n, 4], counted up (columns
    `faults.FAULT_NAMES`).
    Returns: (pc of the first instruction not executed, cycles of those that were).
    """
    cycles = 0
    while True:
        op = code[pc, 0]
        kind = code[pc, 1]
        dst = code[pc, 2]
        a = code[pc, 3]
        b = code[pc, 4]
        extra = code[pc, 5]
        if op == RET or op == IN or op == OUT:  # noqa: SIM109 (numba makes a switch of plain comparisons)
            return pc, cycles
        if cycles + cost[pc] > budget:
            return pc, cycles
        cycles += cost[pc]
        if op == JUMP:
            pc = extra - 1
        elif op == MOVE:
            ints[dst] = ints[a]
        elif op == ADD:
            store_counted(ints, faults, pc, dst, ints[a] + ints[b], kind, OVERFLOW)
        elif op == SUB:
            store_counted(ints, faults, pc, dst, ints[a] - ints[b], kind, OVERFLOW)
        elif op == MUL:
            # u32 * u32 may leave int64; the low 64 bits kept are negative then, so the wrap is still counted
            store_counted(ints, faults, pc, dst, cell_product(ints[a], ints[b]), kind, OVERFLOW)
        elif op == DIV:
            divide(ints, faults, pc, dst, ints[a], ints[b], kind)
        elif op == MOD:
            remainder(ints, faults, pc, dst, ints[a], ints[b])
        elif op == AND:
            ints[dst] = ints[a] & ints[b]
        elif op == OR:
            ints[dst] = ints[a] | ints[b]
        elif op == XOR:
            ints[dst] = ints[a] ^ ints[b]
        elif op == NEG:
            store_counted(ints, faults, pc, dst, -ints[a], kind, OVERFLOW)
        elif op == SHL:
            store_counted(ints, faults, pc, dst, ints[a] << extra, kind, OVERFLOW)
        elif op == SHR:
            ints[dst] = ints[a] >> extra
        elif op == WRAP_ADD:
            ints[dst] = wrap(ints[a] + ints[b], kind)
        elif op == WRAP_SUB:
            ints[dst] = wrap(ints[a] - ints[b], kind)
        elif op == MUL_SHIFT:
            store_counted(ints, faults, pc, dst, (ints[a] * ints[b]) >> extra, kind, OVERFLOW)
        elif op == DIV_SHIFT:
            divide(ints, faults, pc, dst, ints[a] << extra, ints[b], kind)
        elif op == CONVERT:
            store_counted(ints, faults, pc, dst, rescaled(ints[a], b), kind, CONVERSION)
        elif op == JUMP_LT:
            pc = extra - 1 if ints[a] < ints[b] else pc
        elif op == JUMP_LE:
            pc = extra - 1 if ints[a] <= ints[b] else pc
        elif op == JUMP_EQ:
            pc = extra - 1 if ints[a] == ints[b] else pc
        elif op == JUMP_NOT_LT:
            pc = pc if ints[a] < ints[b] else extra - 1
        elif op == JUMP_NOT_LE:
            pc = pc if ints[a] <= ints[b] else extra - 1
        elif op == JUMP_NE:
            pc = extra - 1 if ints[a] != ints[b] else pc
        elif op == F_MOVE:
            floats[dst] = floats[a]
        elif op == F_ADD:
            store_float(floats, faults, pc, dst, floats[a] + floats[b], kind)
        elif op == F_SUB:
            store_float(floats, faults, pc, dst, floats[a] - floats[b], kind)
        elif op == F_MUL:
            store_float(floats, faults, pc, dst, floats[a] * floats[b], kind)
        elif op == F_DIV:
            divide_float(floats, faults, pc, dst, floats[a], floats[b], kind)
        elif op == F_NEG:
            floats[dst] = -floats[a]
        elif op == F_CONVERT:
            store_float(floats, faults, pc, dst, floats[a], kind)
        elif op == INT_TO_FLOAT:
            floats[dst] = rounded(ints[a] / POWER[b], kind)
        elif op == FLOAT_TO_INT:
            store_truncated(ints, faults, pc, dst, floats[a] * POWER[b], kind)
        elif op == F_JUMP_LT:
            pc = extra - 1 if floats[a] < floats[b] else pc
        elif op == F_JUMP_LE:
            pc = extra - 1 if floats[a] <= floats[b] else pc
        elif op == F_JUMP_EQ:
            pc = extra - 1 if floats[a] == floats[b] else pc
        elif op == F_JUMP_NOT_LT:
            pc = pc if floats[a] < floats[b] else extra - 1
        elif op == F_JUMP_NOT_LE:
            pc = pc if floats[a] <= floats[b] else extra - 1
        elif op == F_JUMP_NE:
            pc = extra - 1 if floats[a] != floats[b] else pc
        elif op == LOAD_AT:
            ints[dst] = ints[element(faults, pc, b, ints[a], extra)]
        elif op == STORE_AT:
            ints[element(faults, pc, dst, ints[b], extra)] = ints[a]
        elif op == F_LOAD_AT:
            floats[dst] = floats[element(faults, pc, b, ints[a], extra)]
        elif op == F_STORE_AT:
            floats[element(faults, pc, dst, ints[b], extra)] = floats[a]
        elif op == SAT_ADD:
            ints[dst] = clamped(ints[a] + ints[b], kind, kind)
        elif op == SAT_SUB:
            ints[dst] = clamped(ints[a] - ints[b], kind, kind)
        elif op == SAT_MUL_SHIFT:
            ints[dst] = clamped(cell_product(ints[a], ints[b]) >> extra, kind, PRODUCT[kind])
        elif op == SAT_CONVERT:
            ints[dst] = clamped(rescaled(ints[a], b), kind, extra)
        elif op == SAT_FROM_FLOAT:
            ints[dst] = saturated(np.trunc(floats[a] * POWER[b]), kind)
        elif op == WRAP_CONVERT:
            ints[dst] = wrap(ints[a], kind)
        elif op == MUL_WIDE:
            ints[dst] = cell_product(ints[a], ints[b])
        elif op == WIDE_ADD:
            wide_add(ints, faults, pc, dst, ints[a], ints[b], kind)
        elif op == WIDE_SUB:
            wide_sub(ints, faults, pc, dst, ints[a], ints[b], kind)
        elif op == WIDE_MUL:
            wide_mul(ints, faults, pc, dst, ints[a], ints[b], kind)
        elif op == WIDE_DIV:
            wide_div(ints, faults, pc, dst, ints[a], ints[b], kind)
        elif op == WIDE_MOD:
            wide_mod(ints, faults, pc, dst, ints[a], ints[b], kind)
        elif op == WIDE_NEG:
            wide_neg(ints, faults, pc, dst, ints[a], kind)
        elif op == WIDE_SHL:
            wide_shl(ints, faults, pc, dst, ints[a], extra, kind)
        elif op == WIDE_SHR:
            ints[dst] = wide_shr(ints[a], extra, kind)
        elif op == WIDE_CONVERT:
            wide_convert(ints, faults, pc, dst, ints[a], kind, extra)
        elif op == WIDE_JUMP_LT:
            pc = extra - 1 if is_below(ints[a], ints[b], kind) else pc
        elif op == WIDE_JUMP_LE:
            pc = pc if is_below(ints[b], ints[a], kind) else extra - 1
        pc += 1
