"""Typed expressions -> instructions. Each function returns the operand that holds the value.

`dst` is the slot of the variable that is being assigned: the last instruction writes it directly where it
can.
"""

from collections.abc import Callable
from typing import Any, Final

from controllers import opcodes
from controllers.kinds import Kind
from controllers.lower import calls, elements, folding, invoke, strength
from controllers.lower.conversions import lower_conversion, lower_recast
from controllers.lower.scope import ArrayName, ConstantName, Operand, Scope, StaticName, describe
from controllers.lower.types import Type
from controllers.parse.source import Position, RefusedError
from controllers.parse.tree import (
    Binary,
    Call,
    Convert,
    Element,
    Expression,
    Invoke,
    Length,
    Literal,
    Member,
    Name,
    Negative,
    Read,
    Recast,
    has_invoke,
)
from controllers.ports import HW_CONSTANTS, IN_PORTS, OUT_PORTS

_INTEGER_OPS: Final = {
    "+": opcodes.ADD, "-": opcodes.SUB, "*": opcodes.MUL,
    "/": opcodes.DIV, "//": opcodes.DIV, "%": opcodes.MOD,
    "&": opcodes.AND, "|": opcodes.OR, "^": opcodes.XOR,
}  # fmt: skip
_WIDE_OPS: Final = {
    "+": opcodes.WIDE_ADD, "-": opcodes.WIDE_SUB, "*": opcodes.WIDE_MUL,
    "//": opcodes.WIDE_DIV, "%": opcodes.WIDE_MOD,
}  # fmt: skip
_FIXED_OPS: Final = {"*": opcodes.MUL_SHIFT, "/": opcodes.DIV_SHIFT}
_FLOAT_OPS: Final = {"+": opcodes.F_ADD, "-": opcodes.F_SUB, "*": opcodes.F_MUL, "/": opcodes.F_DIV}
_IN_BY_NAME: Final = {port.name: port for port in IN_PORTS}


def lower_expression(scope: Scope, node: Expression, dst: int | None = None) -> Operand:
    """Value of any expression."""
    return _LOWER[type(node)](scope, node, dst)


def lower_typed(scope: Scope, node: Expression, wanted: Type, what: str, dst: int | None = None) -> Operand:
    """Value of an expression that must have the type `wanted`; a literal takes it."""
    operand = scope.typed(node.at, lower_expression(scope, node, dst), wanted)
    assert operand.type is not None
    if operand.type.word != wanted.word:
        raise scope.source.refuse(
            node.at,
            f"{what} is {describe(wanted)}",
            describe(operand.type),
            f"convert it: {wanted.word}(...)",
        )
    return operand


def lower_pair(scope: Scope, at: Position, left: Expression, right: Expression) -> tuple[Operand, Operand]:
    """Two operands of one type; a literal takes the type of the other. The left one is read first."""
    a = settled(scope, lower_expression(scope, left), right)
    b = lower_expression(scope, right)
    if a.type is None and b.type is not None:
        a = scope.typed(left.at, a, b.type)
    elif b.type is None and a.type is not None:
        b = scope.typed(right.at, b, a.type)
    if a.type is not None and b.type is not None and a.type.word != b.type.word:
        raise scope.source.refuse(
            at, "both operands have the same type", f"{describe(a.type)} and {describe(b.type)}",
            f"convert one: {a.type.word}(...) or {b.type.word}(...)",
        )  # fmt: skip
    return a, b


def settled(scope: Scope, operand: Operand, later: Expression) -> Operand:
    """`operand`, read now where a helper called in `later` could change the variable it stands in."""
    if operand.type is None or operand.value is not None or operand.is_fresh or not has_invoke(later):
        return operand
    slot = scope.emitter.temporary(operand.type.kind)
    invoke.emit_move(scope, operand.type, slot, operand.slot)
    return Operand(operand.type, slot=slot, is_fresh=True)


def _lower_literal(scope: Scope, node: Literal, dst: int | None) -> Operand:
    del scope, dst
    return Operand(None, node.value)


def _lower_name(scope: Scope, node: Name, dst: int | None) -> Operand:
    del dst
    frame = scope.frame
    if node.name in frame.counters:
        return Operand(None, frame.counters[node.name])
    if node.name in frame.unchanged:
        return frame.unchanged[node.name]
    if node.name not in frame.types:
        raise scope.source.refuse(
            node.at, "a local variable is assigned first", node.name, "assign it, or write self."
        )
    kind = frame.types[node.name]
    if kind is None:
        raise RefusedError(node.name)
    if node.name not in frame.assigned:
        raise scope.source.refuse(node.at, "a local variable is assigned on every path", node.name,
                                  "assign it before the if")  # fmt: skip
    return Operand(kind, slot=frame.slots[node.name])


def _lower_member(scope: Scope, node: Member, dst: int | None) -> Operand:
    del dst
    if node.name not in scope.symbols:
        raise scope.source.refuse(
            node.at, "a class variable is declared", node.name, "declare it with var or const"
        )
    symbol = scope.symbols[node.name]
    if symbol is None:
        raise RefusedError(node.name)
    if isinstance(symbol, StaticName):
        return Operand(symbol.type, slot=symbol.slot)
    if isinstance(symbol, ArrayName):
        raise scope.source.refuse(
            node.at, "an array is used by its elements", node.name, f"write self.{node.name}[...]"
        )
    if symbol.type.word == "gain":
        raise scope.source.refuse(
            node.at, "a gain is used in scale(x, gain)", node.name, "use scale, or a number"
        )
    return Operand(symbol.type, symbol.value)


def _lower_read(scope: Scope, node: Read, dst: int | None) -> Operand:
    if node.is_constant:
        return _lower_hw_constant(scope, node)
    port = _IN_BY_NAME.get(node.name)
    if port is None:
        known = ", ".join(f"hw.{name}()" for name in _IN_BY_NAME)
        raise scope.source.refuse(node.at, "hw has no such input", f"hw.{node.name}()", f"use {known}")
    kind = scope.types.named(port.kind)
    slot = scope.destination(kind, dst)
    scope.emitter.emit(opcodes.IN, kind.kind, slot, extra=port.index)
    return Operand(kind, slot=slot, is_fresh=dst is None)


def _lower_hw_constant(scope: Scope, node: Read) -> Operand:
    if node.name not in HW_CONSTANTS:
        is_port = node.name in _IN_BY_NAME or any(port.name == node.name for port in OUT_PORTS)
        remedy = "call it: add ()" if is_port else f"use {', '.join(f'hw.{name}' for name in HW_CONSTANTS)}"
        raise scope.source.refuse(node.at, "hw has no such constant", f"hw.{node.name}", remedy)
    value = scope.hw_values[node.name]
    return Operand(value.type, value.value)


def _lower_negative(scope: Scope, node: Negative, dst: int | None) -> Operand:
    operand = lower_expression(scope, node.operand)
    if operand.value is not None:
        return folding.fold_negative(scope, node, operand)
    assert operand.type is not None
    kind = operand.type.kind
    slot = scope.destination(operand.type, dst)
    scope.emitter.emit(calls.negation(kind), kind, slot, operand.slot)
    return Operand(operand.type, slot=slot, is_fresh=dst is None)


def _lower_binary(scope: Scope, node: Binary, dst: int | None) -> Operand:
    if node.operator in ("<<", ">>"):
        return _lower_shift(scope, node, dst)
    a, b = lower_pair(scope, node.at, node.left, node.right)
    if a.type is not None:
        _check_operator(scope, node, a.type)
    if a.value is not None and b.value is not None:
        return folding.fold_binary(scope, node, a, b)
    if node.operator in ("/", "//", "%") and b.value == 0:
        where = node.right.at
        raise scope.source.refuse(
            where, "a constant divisor is not 0", scope.source.text(where), "correct the number"
        )
    assert a.type is not None
    slot = scope.destination(a.type, dst)
    if not strength.emit_cheaper(scope, node.operator, a, b, slot):
        op, extra = _select(node.operator, a.type.kind)
        scope.emitter.emit(op, a.type.kind, slot, scope.slot_of(a), scope.slot_of(b), extra)
    return Operand(a.type, slot=slot, is_fresh=dst is None)


def _select(sign: str, kind: Kind) -> tuple[int, int]:
    """Opcode and column `extra` of an arithmetic operator."""
    if kind.is_float:
        return _FLOAT_OPS[sign], 0
    if kind.is_wide:
        return _WIDE_OPS[sign], 0
    if kind.is_fixed and sign in _FIXED_OPS:
        return _FIXED_OPS[sign], kind.fraction_bits
    return _INTEGER_OPS[sign], 0


def _check_operator(scope: Scope, node: Binary, kind: Type) -> None:
    if node.operator in kind.operators:
        return
    raise scope.source.refuse(
        node.at,
        f"{describe(kind)} has no operator {node.operator}",
        scope.source.text(node.at),
        f"use {' '.join(kind.operators)}",
    )


def _lower_shift(scope: Scope, node: Binary, dst: int | None) -> Operand:
    """x << n, x >> n with a constant n below the width of x."""
    a = lower_expression(scope, node.left)
    count = lower_expression(scope, node.right)
    if a.type is not None:
        _check_operator(scope, node, a.type)
    limit = 64 if a.type is None else a.type.kind.bits
    if not isinstance(count.value, int) or not 0 <= count.value < limit:
        raise scope.source.refuse(
            node.right.at, f"a shift count is a constant 0..{limit - 1}", scope.source.text(node.right.at),
            "write the number of bits",
        )  # fmt: skip
    if a.value is not None:
        return folding.fold_shifted(scope, node, a, count.value)
    assert a.type is not None
    slot = scope.destination(a.type, dst)
    op = strength.shift_opcode(a.type.kind, node.operator == "<<")
    scope.emitter.emit(op, a.type.kind, slot, a.slot, extra=count.value)
    return Operand(a.type, slot=slot, is_fresh=dst is None)


def _lower_convert(scope: Scope, node: Convert, dst: int | None) -> Operand:
    target = scope.types.of_value(scope.source, node.kind)
    operand = lower_expression(scope, node.operand)
    return lower_conversion(scope, node, operand, target, dst)


def _lower_recast(scope: Scope, node: Recast, dst: int | None) -> Operand:
    target = scope.types.of_value(scope.source, node.kind)
    return lower_recast(scope, node, lower_expression(scope, node.operand), target, dst)


def _lower_element(scope: Scope, node: Element, dst: int | None) -> Operand:
    return elements.lower_element(scope, node, lower_expression(scope, node.index), dst)


def _lower_length(scope: Scope, node: Length, dst: int | None) -> Operand:
    del dst
    return elements.lower_length(scope, node)


def _lower_invoke(scope: Scope, node: Invoke, dst: int | None) -> Operand:
    del dst
    return invoke.lower_value(scope, node, lower_typed, scope.block)


def _lower_call(scope: Scope, node: Call, dst: int | None) -> Operand:
    if node.function == "scale":
        gain = _gain_of(scope, node.operands[1])
        x = lower_typed(scope, node.operands[0], scope.types.number, "the first value of scale")
        return calls.lower_scale(scope, x, gain, dst)
    if node.function == "abs":
        return calls.lower_abs(scope, node, lower_expression(scope, node.operands[0]), dst)
    a, b = lower_pair(scope, node.at, node.operands[0], node.operands[1])
    return _CALLS[node.function](scope, node, a, b, dst)


def _gain_of(scope: Scope, node: Expression) -> ConstantName:
    if isinstance(node, Member):
        if node.name in scope.symbols and scope.symbols[node.name] is None:
            raise RefusedError(node.name)
        symbol = scope.symbols.get(node.name)
        if isinstance(symbol, ConstantName) and symbol.type.word == "gain":
            return symbol
    raise scope.source.refuse(
        node.at,
        "the second value of scale is a gain parameter",
        scope.source.text(node.at),
        "declare it: param(gain, ...)",
    )


_CALLS: Final[dict[str, Callable[[Scope, Call, Operand, Operand, int | None], Operand]]] = {
    "min": calls.lower_choice,
    "max": calls.lower_choice,
    "wrap_add": calls.lower_wrap,
    "wrap_sub": calls.lower_wrap,
    "sat_add": calls.lower_saturating,
    "sat_sub": calls.lower_saturating,
    "sat_mul": calls.lower_saturating,
    "mul_wide": calls.lower_mul_wide,
}
_LOWER: Final[dict[type[Any], Callable[[Scope, Any, int | None], Operand]]] = {
    Literal: _lower_literal,
    Name: _lower_name,
    Member: _lower_member,
    Read: _lower_read,
    Negative: _lower_negative,
    Binary: _lower_binary,
    Convert: _lower_convert,
    Recast: _lower_recast,
    Element: _lower_element,
    Length: _lower_length,
    Invoke: _lower_invoke,
    Call: _lower_call,
}
