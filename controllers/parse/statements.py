"""Statements: Python syntax nodes -> description. One function per grammar rule."""

import ast
from collections.abc import Callable, Iterable
from typing import Any, Final

from controllers.parse.expressions import (
    KIND_WORDS,
    binary_operator,
    check_unnamed,
    invoked_method,
    parse_condition,
    parse_element,
    parse_expression,
)
from controllers.parse.source import RefusedError, Source, position_of
from controllers.parse.tree import (
    Assign,
    Binary,
    Element,
    Guard,
    If,
    Invoke,
    Loop,
    Member,
    Name,
    Return,
    Statement,
    Write,
    has_call,
)

_ALLOWED: Final = (
    "use assignments, if, for i in range(...), with hw.masked(), return, pass, "
    "self.helper(...) and hw.port(...)"
)


def parse_block(source: Source, nodes: Iterable[ast.stmt]) -> tuple[Statement, ...]:
    """block = statement ...; a bad statement is recorded and left out, the others are still read."""
    block: list[Statement] = []
    for node in nodes:
        try:
            block.extend(_parse_statement(source, node))
        except RefusedError:
            continue
    return tuple(block)


def _parse_statement(source: Source, node: ast.stmt) -> tuple[Statement, ...]:
    """statement = assignment | if | for | return | pass | call"""
    parse = _STATEMENTS.get(type(node))
    if parse is None:
        at = position_of(node)
        rule, remedy = _REFUSED.get(type(node), ("no such statement in the dialect", _ALLOWED))
        raise source.refuse(at, rule, source.text(at), remedy)
    return parse(source, node)


def _parse_assign(source: Source, node: ast.Assign) -> tuple[Statement, ...]:
    """assignment = target "=" expression"""
    at = position_of(node)
    if len(node.targets) != 1:
        raise source.refuse(at, "an assignment has one target", source.text(at), "write one line for each")
    return (Assign(at, _parse_target(source, node.targets[0]), parse_expression(source, node.value)),)


def _parse_augmented(source: Source, node: ast.AugAssign) -> tuple[Statement, ...]:
    """assignment = target op"=" expression, read as target = target op expression"""
    at = position_of(node)
    target = _parse_target(source, node.target)
    if isinstance(target, Element) and has_call(target.index):
        raise source.refuse(
            target.index.at, "an index that is read twice calls nothing", source.text(target.index.at),
            "put it into a local variable first",
        )  # fmt: skip
    sign = binary_operator(source, node.op, at)
    return (Assign(at, target, Binary(at, sign, target, parse_expression(source, node.value))),)


def _parse_target(source: Source, node: ast.expr) -> Name | Member | Element:
    """target = name | self.name | self.name[e]"""
    at = position_of(node)
    if isinstance(node, ast.Subscript):
        return parse_element(source, node)
    if isinstance(node, ast.Name) and node.id not in ("self", "hw") and node.id not in KIND_WORDS:
        return Name(at, node.id)
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "self":
        return Member(at, node.attr)
    raise source.refuse(
        at, "this cannot be assigned to", source.text(at), "assign to self.NAME or to a local name"
    )


def _parse_if(source: Source, node: ast.If) -> tuple[Statement, ...]:
    """if = "if" condition block ["elif" ... | "else" block]; blocks are read after a bad condition too"""
    then = parse_block(source, node.body)
    otherwise = parse_block(source, node.orelse)
    return (If(position_of(node.test), parse_condition(source, node.test), then, otherwise),)


def _parse_for(source: Source, node: ast.For) -> tuple[Statement, ...]:
    """for = "for" name "in" "range" "(" e ["," e] ")" block"""
    body = parse_block(source, node.body)
    at = position_of(node.iter)
    call = node.iter
    is_range = isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "range"
    if not is_range or not isinstance(call, ast.Call) or call.keywords or len(call.args) not in (1, 2):
        raise source.refuse(at, "a loop runs over a constant range", source.text(at), "write range(COUNT)")
    if node.orelse or not isinstance(node.target, ast.Name):
        where = position_of(node.target)
        raise source.refuse(
            where, "a loop has one counter and no else", source.text(where), "write for i in range(...)"
        )
    return (Loop(at, node.target.id, tuple(parse_expression(source, bound) for bound in call.args), body),)


def _parse_guard(source: Source, node: ast.With) -> tuple[Statement, ...]:
    """guard = "with" "hw.masked()" ":" block"""
    body = parse_block(source, node.body)
    context = node.items[0].context_expr
    at = position_of(context)
    is_plain = len(node.items) == 1 and node.items[0].optional_vars is None
    if not is_plain or ast.unparse(context) != "hw.masked()":
        raise source.refuse(at, "with masks interrupts", source.text(at), "write with hw.masked():")
    return (Guard(at, body),)


def _parse_return(source: Source, node: ast.Return) -> tuple[Statement, ...]:
    """return = "return" [e]"""
    at = position_of(node)
    if node.value is None or (isinstance(node.value, ast.Constant) and node.value.value is None):
        return (Return(at, None),)
    return (Return(at, parse_expression(source, node.value)),)


def _parse_pass(source: Source, node: ast.Pass) -> tuple[Statement, ...]:
    """pass = "pass" """
    del source, node
    return ()


def _parse_call(source: Source, node: ast.Expr) -> tuple[Statement, ...]:
    """call = method "(" e, ... ")" | hw.port(e); a text alone is a comment"""
    at = position_of(node)
    call = node.value
    if isinstance(call, ast.Constant) and isinstance(call.value, str):
        return ()
    if not isinstance(call, ast.Call):
        raise source.refuse(at, "this statement does nothing", source.text(at), _ALLOWED)
    check_unnamed(source, call)
    called = call.func
    method = invoked_method(source, called)
    is_port = isinstance(called, ast.Attribute) and ast.unparse(called.value) == "hw"
    if method is None and not is_port:
        raise source.refuse(at, "only methods of self and hw can be called", source.text(at), _ALLOWED)
    operands = tuple(parse_expression(source, operand) for operand in call.args)
    if method is not None:
        return (Invoke(at, method, operands),)
    if len(operands) != 1:
        raise source.refuse(at, "a port takes one value", source.text(at), "write it")
    assert isinstance(called, ast.Attribute)
    return (Write(at, called.attr, operands[0]),)


_REFUSED: Final[dict[type[ast.stmt], tuple[str, str]]] = {
    ast.While: ("no while loop: its time has no bound", "write for i in range(COUNT)"),
    ast.AnnAssign: ("a local variable takes the type of its value", "write x = u16(0)"),
    ast.Import: ("a law imports only from controllers.dialect", "remove the import"),
    ast.ImportFrom: ("a law imports only from controllers.dialect", "remove the import"),
    ast.Break: ("no break in the dialect", "use if and return"),
    ast.Continue: ("no continue in the dialect", "use if"),
}
_STATEMENTS: Final[dict[type[ast.stmt], Callable[[Source, Any], tuple[Statement, ...]]]] = {
    ast.Assign: _parse_assign,
    ast.AugAssign: _parse_augmented,
    ast.If: _parse_if,
    ast.For: _parse_for,
    ast.With: _parse_guard,
    ast.Return: _parse_return,
    ast.Pass: _parse_pass,
    ast.Expr: _parse_call,
}
