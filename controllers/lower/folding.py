"""Constant sub-expressions: their value, worked out when the law is compiled."""

from controllers.lower.constants import INTEGER_FOLDS, OutOfRangeError, checked, fold, fold_shift
from controllers.lower.scope import Operand, Scope, describe
from controllers.parse.expressions import LITERAL_LIMIT
from controllers.parse.source import RefusedError
from controllers.parse.tree import Binary, Negative


def fold_negative(scope: Scope, node: Negative, operand: Operand) -> Operand:
    """Value of a constant expression; refused where it does not fit."""
    assert operand.value is not None
    if operand.type is None or operand.type.kind.is_float:
        return Operand(operand.type, -operand.value)
    try:
        return Operand(operand.type, checked(-int(operand.value), operand.type.kind))
    except OutOfRangeError:
        raise scope.refuse_constant(node.at, operand.type, scope.source.text(node.at)) from None


def fold_binary(scope: Scope, node: Binary, a: Operand, b: Operand) -> Operand:
    """Value of a constant expression; refused where it does not fit."""
    assert a.value is not None
    assert b.value is not None
    try:
        if a.type is not None:
            return Operand(a.type, fold(node.operator, a.value, b.value, a.type.kind))
        return Operand(None, _fold_literals(node.operator, a.value, b.value))
    except (OutOfRangeError, TypeError, OverflowError):
        raise _refuse_folded(scope, node, a) from None


def fold_shifted(scope: Scope, node: Binary, a: Operand, count: int) -> Operand:
    """Value of a constant expression; refused where it does not fit."""
    if not isinstance(a.value, int):
        raise scope.source.refuse(
            node.at, "a shift takes an integer", scope.source.text(node.at), "use * or /"
        )
    try:
        if a.type is None:
            return Operand(None, _limited(a.value << count if node.operator == "<<" else a.value >> count))
        return Operand(a.type, fold_shift(node.operator, a.value, count, a.type.kind))
    except OutOfRangeError:
        raise _refuse_folded(scope, node, a) from None


def _fold_literals(sign: str, a: float, b: float) -> int | float:
    """Literals keep Python's unbounded numbers; / is exact, // and % truncate as in C."""
    if sign in ("/", "//", "%") and b == 0:
        raise OutOfRangeError
    if sign == "/":
        return a / b
    if not (isinstance(a, int) and isinstance(b, int)):
        return {"+": a + b, "-": a - b, "*": a * b}[sign] if sign in "+-*" else _refuse_literal()
    return _limited(INTEGER_FOLDS[sign](a, b))


def _refuse_literal() -> float:
    raise OutOfRangeError


def _refuse_folded(scope: Scope, node: Binary, a: Operand) -> RefusedError:
    """The fault of an operation on constants that has no result."""
    rule = "a constant expression has a value" if a.type is None else f"a constant fits {describe(a.type)}"
    of_scenario = a.type is not None and a.type.is_number
    remedy = "choose another arithmetic, or correct the numbers" if of_scenario else "correct the numbers"
    return scope.source.refuse(node.at, rule, scope.source.text(node.at), remedy)


def _limited(value: int) -> int:
    """An integer that still fits 64 bits."""
    if abs(value) >= LITERAL_LIMIT:
        raise OutOfRangeError
    return value
