"""The functions of the dialect: scale, abs, min, max, wrap_..., sat_..., mul_wide."""

from typing import Final

from controllers import opcodes
from controllers.kinds import Kind, doubled
from controllers.lower.constants import OutOfRangeError, checked, fold_wrap
from controllers.lower.jumps import emit_jump
from controllers.lower.scope import ConstantName, Operand, Scope, describe
from controllers.parse.tree import Call


def lower_scale(scope: Scope, x: Operand, gain: ConstantName, dst: int | None) -> Operand:
    """x times a gain. Integers: times the mantissa in double width, shifted right, toward minus infinity."""
    assert x.type is not None
    kind = x.type.kind
    slot = scope.destination(x.type, dst)
    factor = scope.emitter.constant(gain.type.kind, gain.value)
    if kind.is_float:
        scope.emitter.emit(opcodes.F_MUL, kind, slot, scope.slot_of(x), factor)
    else:
        shift = kind.fraction_bits if kind.is_fixed else gain.shift
        scope.emitter.emit(opcodes.MUL_SHIFT, kind, slot, scope.slot_of(x), factor, shift)
    return Operand(x.type, slot=slot, is_fresh=dst is None)


def lower_abs(scope: Scope, node: Call, x: Operand, dst: int | None) -> Operand:
    """abs(x): x, negated where it is below 0."""
    if x.type is None:
        assert x.value is not None
        return Operand(None, abs(x.value))
    kind = x.type.kind
    if not kind.signed:
        raise scope.source.refuse(node.at, "abs takes a signed value", describe(x.type), "remove abs")
    if x.value is not None:
        return _fold_abs(scope, node, x)
    slot = x.slot if x.is_fresh else scope.destination(x.type, dst)
    emitter = scope.emitter
    _emit_move(scope, kind, slot, x.slot)
    positive = emitter.new_label()
    zero = emitter.constant(kind, 0.0 if kind.is_float else 0)
    emit_jump(emitter, "not <", kind, slot, zero, positive)
    emitter.emit(negation(kind), kind, slot, slot)
    emitter.place(positive)
    return Operand(x.type, slot=slot, is_fresh=x.is_fresh or dst is None)


def _fold_abs(scope: Scope, node: Call, x: Operand) -> Operand:
    assert x.type is not None
    assert x.value is not None
    if x.type.kind.is_float:
        return Operand(x.type, abs(x.value))
    try:
        return Operand(x.type, checked(abs(int(x.value)), x.type.kind))
    except OutOfRangeError:
        raise scope.refuse_constant(node.at, x.type, scope.source.text(node.at)) from None


def lower_wrap(scope: Scope, node: Call, a: Operand, b: Operand, dst: int | None) -> Operand:
    """wrap_add, wrap_sub: the wrap is meant and not counted."""
    if a.type is None or not a.type.kind.is_integer or a.type.is_number:
        found = "a literal" if a.type is None else describe(a.type)
        raise scope.source.refuse(
            node.at, f"{node.function} takes integers", found, "use ticks, u16, u32 ..."
        )
    kind = a.type.kind
    if kind.is_wide:
        raise scope.source.refuse(
            node.at, f"{node.function} takes at most 32 bits", describe(a.type), "use + or -"
        )
    sign = "+" if node.function == "wrap_add" else "-"
    if a.value is not None and b.value is not None:
        return Operand(a.type, fold_wrap(sign, int(a.value), int(b.value), kind))
    slot = scope.destination(a.type, dst)
    op = opcodes.WRAP_ADD if sign == "+" else opcodes.WRAP_SUB
    scope.emitter.emit(op, kind, slot, scope.slot_of(a), scope.slot_of(b))
    return Operand(a.type, slot=slot, is_fresh=dst is None)


def lower_choice(scope: Scope, node: Call, a: Operand, b: Operand, dst: int | None) -> Operand:
    """min(a, b): b where b < a, else a. max(a, b): b where a < b, else a."""
    is_min = node.function == "min"
    if a.value is not None and b.value is not None:
        return Operand(a.type, (min if is_min else max)(a.value, b.value))
    assert a.type is not None
    kind = a.type.kind
    first, second = scope.slot_of(a), scope.slot_of(b)
    slot = first if a.is_fresh else scope.destination(a.type, dst)
    emitter = scope.emitter
    done = emitter.new_label()
    low, high = (second, first) if is_min else (first, second)
    if slot == second:
        emit_jump(emitter, "<", kind, low, high, done)
        _emit_move(scope, kind, slot, first)
    else:
        _emit_move(scope, kind, slot, first)
        emit_jump(emitter, "not <", kind, low, high, done)
        _emit_move(scope, kind, slot, second)
    emitter.place(done)
    return Operand(a.type, slot=slot, is_fresh=a.is_fresh or dst is None)


def negation(kind: Kind) -> int:
    """Opcode of unary minus."""
    if kind.is_wide:
        return opcodes.WIDE_NEG
    return opcodes.F_NEG if kind.is_float else opcodes.NEG


_SATURATING: Final = {
    "sat_add": (opcodes.SAT_ADD, opcodes.F_ADD),
    "sat_sub": (opcodes.SAT_SUB, opcodes.F_SUB),
    "sat_mul": (opcodes.SAT_MUL_SHIFT, opcodes.F_MUL),
}


def lower_saturating(scope: Scope, node: Call, a: Operand, b: Operand, dst: int | None) -> Operand:
    """sat_add, sat_sub, sat_mul: the result is held within the kind; floats have their infinities."""
    if a.type is None or a.type.kind.is_wide:
        found = "literals" if a.type is None else describe(a.type)
        raise scope.source.refuse(node.at, f"{node.function} takes values of at most 32 bits", found,
                                  "use variables, or sat(kind, x)")  # fmt: skip
    kind = a.type.kind
    integer, real = _SATURATING[node.function]
    shift = kind.fraction_bits if integer == opcodes.SAT_MUL_SHIFT else 0
    slot = scope.destination(a.type, dst)
    scope.emitter.emit(
        real if kind.is_float else integer, kind, slot, scope.slot_of(a), scope.slot_of(b), shift
    )
    return Operand(a.type, slot=slot, is_fresh=dst is None)


def lower_mul_wide(scope: Scope, node: Call, a: Operand, b: Operand, dst: int | None) -> Operand:
    """mul_wide: the whole product, in the integer kind of twice the width."""
    wide = None
    if a.type is not None and a.type.kind.is_integer and not a.type.is_number:
        wide = doubled(a.type.kind)
    if a.type is None or wide is None:
        found = "literals" if a.type is None else describe(a.type)
        raise scope.source.refuse(
            node.at, "mul_wide takes integers of 8 to 32 bits", found, "convert them first"
        )
    result = scope.types.named(wide.name)
    slot = scope.destination(result, dst)
    scope.emitter.emit(opcodes.MUL_WIDE, wide, slot, scope.slot_of(a), scope.slot_of(b), a.type.kind.index)
    return Operand(result, slot=slot, is_fresh=dst is None)


def _emit_move(scope: Scope, kind: Kind, slot: int, source: int) -> None:
    if slot != source:
        scope.emitter.emit(opcodes.F_MOVE if kind.is_float else opcodes.MOVE, kind, slot, source)
