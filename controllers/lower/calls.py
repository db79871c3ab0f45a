"""The functions of the dialect: scale, abs, wrap_add, wrap_sub, min, max."""

from controllers import opcodes
from controllers.kinds import Kind
from controllers.lower.constants import OutOfRangeError, checked, fold_wrap
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
    emitter.emit(_not_lt(kind), kind, a=slot, b=zero, extra=positive)
    emitter.emit(opcodes.F_NEG if kind.is_float else opcodes.NEG, kind, slot, slot)
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
        emitter.emit(opcodes.F_JUMP_LT if kind.is_float else opcodes.JUMP_LT, kind, a=low, b=high, extra=done)
        _emit_move(scope, kind, slot, first)
    else:
        _emit_move(scope, kind, slot, first)
        emitter.emit(_not_lt(kind), kind, a=low, b=high, extra=done)
        _emit_move(scope, kind, slot, second)
    emitter.place(done)
    return Operand(a.type, slot=slot, is_fresh=a.is_fresh or dst is None)


def _not_lt(kind: Kind) -> int:
    return opcodes.F_JUMP_NOT_LT if kind.is_float else opcodes.JUMP_NOT_LT


def _emit_move(scope: Scope, kind: Kind, slot: int, source: int) -> None:
    if slot != source:
        scope.emitter.emit(opcodes.F_MOVE if kind.is_float else opcodes.MOVE, kind, slot, source)
