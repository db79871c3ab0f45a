"""Multiplication and division by a power of two, done the way every compiler does them.

Signed division toward zero needs the bias 2**k - 1 added to negative numbers before the shift. A float
divided by a power of two is multiplied by the reciprocal, which is exact. Faults are the same as those of the
operation replaced.
"""

import math

from controllers import opcodes
from controllers.kinds import Kind
from controllers.lower.scope import Operand, Scope


def emit_cheaper(scope: Scope, sign: str, a: Operand, b: Operand, slot: int) -> bool:
    """Emit a cheaper form of `a sign b` into `slot`; False where there is none."""
    if sign == "*" and a.value is not None:
        a, b = b, a
    assert a.type is not None
    kind = a.type.kind
    power = _power_of_two(b, kind)
    if power is None or (kind.is_wide and sign != "*" and (kind.signed or sign == "%")):
        return False
    if kind.is_float:
        return sign == "/" and _emit_reciprocal(scope, a, power, slot)
    if sign == "*":
        return _emit_shift(scope, a, power, slot)
    if sign in ("/", "//"):
        return _emit_division(scope, a, power, slot)
    return sign == "%" and not kind.signed and _emit_mask(scope, a, power, slot)


def _power_of_two(operand: Operand, kind: Kind) -> int | None:
    """k where the constant is 2**k (k < 0 possible in fixed point and float)."""
    if operand.value is None or operand.value <= 0:
        return None
    if kind.is_float:
        mantissa, exponent = math.frexp(operand.value)
        return exponent - 1 if mantissa == 0.5 and abs(exponent) < 100 else None
    stored = int(operand.value)
    return stored.bit_length() - 1 - kind.fraction_bits if stored & (stored - 1) == 0 else None


def _emit_reciprocal(scope: Scope, a: Operand, power: int, slot: int) -> bool:
    assert a.type is not None
    reciprocal = scope.emitter.constant(a.type.kind, 2.0**-power)
    scope.emitter.emit(opcodes.F_MUL, a.type.kind, slot, a.slot, reciprocal)
    return True


def _emit_shift(scope: Scope, a: Operand, power: int, slot: int) -> bool:
    """slot = a * 2**power"""
    assert a.type is not None
    if power == 0:
        scope.emitter.emit(opcodes.MOVE, a.type.kind, slot, a.slot)
    else:
        scope.emitter.emit(shift_opcode(a.type.kind, power > 0), a.type.kind, slot, a.slot, extra=abs(power))
    return True


def shift_opcode(kind: Kind, is_left: bool) -> int:
    """Opcode of a shift."""
    if kind.is_wide:
        return opcodes.WIDE_SHL if is_left else opcodes.WIDE_SHR
    return opcodes.SHL if is_left else opcodes.SHR


def _emit_division(scope: Scope, a: Operand, power: int, slot: int) -> bool:
    """slot = a / 2**power toward zero"""
    assert a.type is not None
    kind = a.type.kind
    if power <= 0 or not kind.signed:
        return _emit_shift(scope, a, -power, slot)
    emitter = scope.emitter
    biased = a.slot
    if not a.is_fresh:
        biased = emitter.temporary(kind)
        emitter.emit(opcodes.MOVE, kind, biased, a.slot)
    positive = emitter.new_label()
    emitter.emit(opcodes.JUMP_NOT_LT, kind, a=biased, b=emitter.constant(kind, 0), extra=positive)
    emitter.emit(opcodes.ADD, kind, biased, biased, emitter.constant(kind, (1 << power) - 1))
    emitter.place(positive)
    emitter.emit(opcodes.SHR, kind, slot, biased, extra=power)
    return True


def _emit_mask(scope: Scope, a: Operand, power: int, slot: int) -> bool:
    """slot = a % 2**power"""
    assert a.type is not None
    mask = scope.emitter.constant(a.type.kind, (1 << power) - 1)
    scope.emitter.emit(opcodes.AND, a.type.kind, slot, a.slot, mask)
    return True
