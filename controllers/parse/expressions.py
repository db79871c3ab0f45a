"""Expressions and conditions: Python syntax nodes -> description. One function per grammar rule."""

import ast
from collections.abc import Callable
from typing import Any, Final

from controllers.parse.source import Position, RefusedError, Source, position_of
from controllers.parse.tree import (
    Binary,
    Call,
    Compare,
    Condition,
    Convert,
    Element,
    Expression,
    Invoke,
    Junction,
    Kindred,
    Length,
    Literal,
    Member,
    Name,
    Negative,
    Not,
    Read,
    Recast,
)

KIND_WORDS: Final = (
    "u8", "i8", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "number", "ticks", "gain",
)  # fmt: skip
FUNCTION_ARITY: Final = {
    "min": 2, "max": 2, "abs": 1, "wrap_add": 2, "wrap_sub": 2, "sat_add": 2, "sat_sub": 2, "sat_mul": 2,
    "mul_wide": 2, "scale": 2,
}  # fmt: skip
LITERAL_LIMIT: Final = 1 << 64
"""Integers known at compile time are smaller in size than this."""

_BINARY: Final = {
    ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.FloorDiv: "//", ast.Mod: "%",
    ast.BitAnd: "&", ast.BitOr: "|", ast.BitXor: "^", ast.LShift: "<<", ast.RShift: ">>",
}  # fmt: skip
_COMPARE: Final = {
    ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=",
}  # fmt: skip


def binary_operator(source: Source, node: ast.operator, at: Position) -> str:
    """Sign of an arithmetic operator of the dialect."""
    sign = _BINARY.get(type(node))
    if sign is None:
        raise source.refuse(
            at, "no such operator in the dialect", source.text(at), "use + - * / // % & | ^ << >>"
        )
    return sign


def parse_expression(source: Source, node: ast.expr) -> Expression:
    """expression = literal | name | self.name | -e | e op e | call | hw.constant"""
    parse = _EXPRESSIONS.get(type(node))
    if parse is None:
        at = position_of(node)
        rule, remedy = _REFUSED.get(
            type(node), ("no such expression in the dialect", "use numbers, variables, operators and calls")
        )
        raise source.refuse(at, rule, source.text(at), remedy)
    return parse(source, node)


def _parse_constant(source: Source, node: ast.Constant) -> Expression:
    """literal = integer | decimal"""
    at = position_of(node)
    if isinstance(node.value, bool) or not isinstance(node.value, int | float):
        raise source.refuse(
            at, "a literal is a number", source.text(at), "write an integer or a decimal number"
        )
    if isinstance(node.value, int) and node.value >= LITERAL_LIMIT:
        raise source.refuse(at, "an integer literal fits 64 bits", source.text(at), "write a smaller number")
    return Literal(at, node.value)


def _parse_name(source: Source, node: ast.Name) -> Expression:
    """name = local variable"""
    at = position_of(node)
    if node.id in ("self", "hw") or node.id in KIND_WORDS:
        raise source.refuse(
            at, "this word is not a value", node.id, "write self.NAME, hw.NAME(...) or KIND(value)"
        )
    return Name(at, node.id)


def _parse_attribute(source: Source, node: ast.Attribute) -> Expression:
    """member = self.name | hw.constant"""
    at = position_of(node)
    if not isinstance(node.value, ast.Name) or node.value.id not in ("self", "hw"):
        raise source.refuse(
            at, "only self and hw have members", source.text(at), "write self.NAME or hw.NAME"
        )
    if node.value.id == "self":
        return Member(at, node.attr)
    return Read(at, node.attr, is_constant=True)


def _parse_unary(source: Source, node: ast.UnaryOp) -> Expression:
    """unary = - expression"""
    at = position_of(node)
    if not isinstance(node.op, ast.USub):
        raise source.refuse(at, "the only unary operator is minus", source.text(at), "write it with - or ^")
    operand = parse_expression(source, node.operand)
    return Literal(at, -operand.value) if isinstance(operand, Literal) else Negative(at, operand)


def _parse_binary(source: Source, node: ast.BinOp) -> Expression:
    """binary = expression op expression"""
    at = position_of(node)
    sign = binary_operator(source, node.op, at)
    return Binary(at, sign, parse_expression(source, node.left), parse_expression(source, node.right))


def _parse_call(source: Source, node: ast.Call) -> Expression:
    """call = kind(e) | q(m, n)(e) | function(e, ...) | len(self.name) | hw.port() | self.helper(e, ...)"""
    at = position_of(node)
    check_unnamed(source, node)
    called = node.func
    if isinstance(called, ast.Attribute):
        return _parse_method(source, node, called)
    if isinstance(called, ast.Name) and called.id in _OTHER_CALLS:
        return _OTHER_CALLS[called.id](source, node)
    if isinstance(called, ast.Call) or (isinstance(called, ast.Name) and called.id in KIND_WORDS):
        kind = parse_kind(source, called)
        _check_count(source, at, source.text(position_of(called)), len(node.args), 1)
        return Convert(at, kind, parse_expression(source, node.args[0]))
    if isinstance(called, ast.Name) and called.id in FUNCTION_ARITY:
        _check_count(source, at, called.id, len(node.args), FUNCTION_ARITY[called.id])
        return Call(at, called.id, tuple(parse_expression(source, operand) for operand in node.args))
    raise _unknown_function(source, at, called)


def check_unnamed(source: Source, node: ast.Call) -> None:
    """Refuse `name=value` in a call."""
    if node.keywords:
        where = position_of(node.keywords[0])
        raise source.refuse(
            where, "calls take no named arguments", source.text(where), "write the value alone"
        )


def _unknown_function(source: Source, at: Position, called: ast.expr) -> RefusedError:
    found = source.text(position_of(called))
    words = ", ".join((*FUNCTION_ARITY, *_OTHER_CALLS))
    remedy = f"use a kind, {words} or a method of hw"
    return source.refuse(at, "no such function in the dialect", found, remedy)


def invoked_method(source: Source, called: ast.expr) -> str | None:
    """method = self.name | super().name; the name by which the law's methods are found, or None"""
    if not isinstance(called, ast.Attribute):
        return None
    owner = ast.unparse(called.value)
    if owner == "self":
        return called.attr
    return f"{source.base_class}.{called.attr}" if owner == "super()" else None


def _parse_method(source: Source, node: ast.Call, called: ast.Attribute) -> Expression:
    """read = hw.port(); invocation = method "(" e, ... ")" """
    at = position_of(node)
    method = invoked_method(source, called)
    if method is not None:
        return Invoke(at, method, tuple(parse_expression(source, operand) for operand in node.args))
    if not isinstance(called.value, ast.Name) or called.value.id != "hw":
        raise _unknown_function(source, at, called)
    _check_count(source, at, f"hw.{called.attr}", len(node.args), 0)
    return Read(at, called.attr, is_constant=False)


def _parse_recast(source: Source, node: ast.Call) -> Expression:
    """recast = ("sat" | "wrap") "(" kind "," e ")" """
    at = position_of(node)
    assert isinstance(node.func, ast.Name)
    _check_count(source, at, node.func.id, len(node.args), 2)
    kind = parse_kind(source, node.args[0])
    return Recast(at, node.func.id, kind, parse_expression(source, node.args[1]))


def _parse_length(source: Source, node: ast.Call) -> Expression:
    """length = "len" "(" self.name ")" """
    at = position_of(node)
    _check_count(source, at, "len", len(node.args), 1)
    member = parse_expression(source, node.args[0])
    if not isinstance(member, Member):
        raise source.refuse(
            member.at, "len takes an array or a table", source.text(member.at), "write self.NAME"
        )
    return Length(at, member.name)


def parse_element(source: Source, node: ast.Subscript) -> Element:
    """element = self.name "[" e "]" """
    at = position_of(node)
    owner = node.value
    if not (
        isinstance(owner, ast.Attribute) and isinstance(owner.value, ast.Name) and owner.value.id == "self"
    ):
        raise source.refuse(
            at, "only arrays and tables of the class have elements", source.text(at), "write self.NAME[...]"
        )
    return Element(at, owner.attr, parse_expression(source, node.slice))


def _check_count(source: Source, at: Position, called: str, found: int, wanted: int) -> None:
    if found != wanted:
        noun = "argument" if wanted == 1 else "arguments"
        raise source.refuse(at, f"{called} takes {wanted} {noun}", str(found), "correct the call")


def parse_kind(source: Source, node: ast.expr) -> Kindred:
    """kind = word | q(m, n)"""
    at = position_of(node)
    if isinstance(node, ast.Name) and node.id in KIND_WORDS:
        return Kindred(at, node.id)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "q":
        widths = [a.value for a in node.args if isinstance(a, ast.Constant) and isinstance(a.value, int)]
        if len(widths) == 2 and len(node.args) == 2 and not node.keywords:
            return Kindred(at, "q", tuple(widths))
    raise source.refuse(at, "no such kind", source.text(at), f"use {', '.join(KIND_WORDS)} or q(m, n)")


def parse_condition(source: Source, node: ast.expr) -> Condition:
    """condition = comparison | not c | c and c | c or c"""
    at = position_of(node)
    if isinstance(node, ast.BoolOp):
        parts = tuple(parse_condition(source, part) for part in node.values)
        return Junction(at, isinstance(node.op, ast.And), parts)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        return Not(at, parse_condition(source, node.operand))
    if isinstance(node, ast.Compare):
        return _parse_compare(source, node)
    raise source.refuse(
        at, "a condition is a comparison", source.text(at), "write the comparison out, such as x != 0"
    )


def _parse_compare(source: Source, node: ast.Compare) -> Condition:
    """comparison = expression op expression"""
    at = position_of(node)
    if len(node.ops) != 1:
        raise source.refuse(at, "a comparison has two operands", source.text(at), "write a < b and b < c")
    sign = _COMPARE.get(type(node.ops[0]))
    if sign is None:
        raise source.refuse(at, "no such comparison in the dialect", source.text(at), "use < <= > >= == !=")
    return Compare(
        at, sign, parse_expression(source, node.left), parse_expression(source, node.comparators[0])
    )


_VALUE_RULE: Final = "comparisons stand only in conditions"
_VALUE_REMEDY: Final = "write if ...: x = 1 else: x = 0"
_REFUSED: Final[dict[type[ast.expr], tuple[str, str]]] = {
    ast.Compare: (_VALUE_RULE, _VALUE_REMEDY),
    ast.BoolOp: (_VALUE_RULE, _VALUE_REMEDY),
    ast.IfExp: ("no conditional expression in the dialect", "write an if statement"),
    ast.Slice: ("an index is one number", "write one element"),
}
_OTHER_CALLS: Final[dict[str, Callable[[Source, ast.Call], Expression]]] = {
    "sat": _parse_recast,
    "wrap": _parse_recast,
    "len": _parse_length,
}
_EXPRESSIONS: Final[dict[type[ast.expr], Callable[[Source, Any], Expression]]] = {
    ast.Constant: _parse_constant,
    ast.Name: _parse_name,
    ast.Attribute: _parse_attribute,
    ast.UnaryOp: _parse_unary,
    ast.BinOp: _parse_binary,
    ast.Call: _parse_call,
    ast.Subscript: parse_element,
}
