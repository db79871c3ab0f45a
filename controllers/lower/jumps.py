"""Compare and jump: which opcode makes which comparison of which kind."""

from typing import Final, NamedTuple

from controllers import opcodes
from controllers.kinds import Kind
from controllers.lower.emitter import Emitter


class _Jump(NamedTuple):
    """Opcodes for integers, floats and 64 bits. Each holds the operands as written, or exchanged. NaN makes a
    float comparison and its opposite differ; 64-bit integers need only `<` and `<=`."""

    integer: int
    real: int
    swapped: bool
    wide: int
    wide_swapped: bool


_JUMPS: Final = {
    "<": _Jump(opcodes.JUMP_LT, opcodes.F_JUMP_LT, False, opcodes.WIDE_JUMP_LT, False),
    "<=": _Jump(opcodes.JUMP_LE, opcodes.F_JUMP_LE, False, opcodes.WIDE_JUMP_LE, False),
    ">": _Jump(opcodes.JUMP_LT, opcodes.F_JUMP_LT, True, opcodes.WIDE_JUMP_LT, True),
    ">=": _Jump(opcodes.JUMP_LE, opcodes.F_JUMP_LE, True, opcodes.WIDE_JUMP_LE, True),
    "==": _Jump(opcodes.JUMP_EQ, opcodes.F_JUMP_EQ, False, opcodes.JUMP_EQ, False),
    "!=": _Jump(opcodes.JUMP_NE, opcodes.F_JUMP_NE, False, opcodes.JUMP_NE, False),
    "not <": _Jump(opcodes.JUMP_NOT_LT, opcodes.F_JUMP_NOT_LT, False, opcodes.WIDE_JUMP_LE, True),
    "not <=": _Jump(opcodes.JUMP_NOT_LE, opcodes.F_JUMP_NOT_LE, False, opcodes.WIDE_JUMP_LT, True),
    "not >": _Jump(opcodes.JUMP_NOT_LT, opcodes.F_JUMP_NOT_LT, True, opcodes.WIDE_JUMP_LE, False),
    "not >=": _Jump(opcodes.JUMP_NOT_LE, opcodes.F_JUMP_NOT_LE, True, opcodes.WIDE_JUMP_LT, False),
    "not ==": _Jump(opcodes.JUMP_NE, opcodes.F_JUMP_NE, False, opcodes.JUMP_NE, False),
    "not !=": _Jump(opcodes.JUMP_EQ, opcodes.F_JUMP_EQ, False, opcodes.JUMP_EQ, False),
}


def emit_jump(emitter: Emitter, comparison: str, kind: Kind, a: int, b: int, label: int) -> None:
    """Go to `label` where the slots a and b compare so; `comparison` is `<` ... `!=` or one of them after
    `not `."""
    row = _JUMPS[comparison]
    if kind.is_wide:
        op, is_swapped = row.wide, row.wide_swapped
    else:
        op, is_swapped = (row.real if kind.is_float else row.integer), row.swapped
    first, second = (b, a) if is_swapped else (a, b)
    emitter.emit(op, kind, a=first, b=second, extra=label)
