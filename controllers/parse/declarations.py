"""The class body: `param`, `var`, `const`, `array` and `table` declarations."""

import ast
from collections.abc import Callable
from typing import Final

from controllers.parse.expressions import parse_expression, parse_kind
from controllers.parse.source import Position, Source, position_of
from controllers.parse.tree import (
    SENSORS,
    Array,
    Constant,
    Declaration,
    Kindred,
    Literal,
    Parameter,
    Table,
    Variable,
)

_KEYWORDS: Final = ("low", "high", "about", "times", "fitted")
_EXAMPLES: Final = {
    "param": 'write param(kind, "key", default, low=, high=, about=)',
    "var": "write var(kind, value)",
    "const": "write const(kind, value)",
    "array": "write array(kind, length, value)",
    "table": "write table(kind, (value, ...))",
}
_POSITIONAL: Final = {"param": 3, "var": 2, "const": 2, "array": 3, "table": 2}
_SENSOR_NUMBERS: Final = ("const(u8, 1)", "const(u8, 3)")
LENGTH_LIMIT: Final = 256
"""Elements of an array or a table: what an 8-bit index reaches."""


def parse_declaration(source: Source, node: ast.Assign) -> Declaration:
    """declaration = NAME "=" word "(" kind "," ... ")" """
    at = position_of(node)
    call = node.value
    if len(node.targets) != 1 or not isinstance(node.targets[0], ast.Name):
        raise source.refuse(
            at, "a declaration has one name", source.text(at), "write NAME = var(kind, value)"
        )
    if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in _POSITIONAL):
        where = position_of(call)
        raise source.refuse(
            where,
            "a class variable is declared",
            source.text(where),
            "use param(...), var(...), const(...), array(...) or table(...)",
        )
    name, word = node.targets[0].id, call.func.id
    if len(call.args) != _POSITIONAL[word] or (word != "param" and call.keywords):
        where = position_of(call)
        raise source.refuse(
            where, f"{word} takes {_POSITIONAL[word]} values", source.text(where), _EXAMPLES[word]
        )
    if name == SENSORS and ast.unparse(call) not in _SENSOR_NUMBERS:
        where, rule = position_of(call), "SENSORS is 1 or 3, the Hall sensors that the law needs"
        raise source.refuse(where, rule, source.text(where), "write SENSORS = const(u8, 3)")
    kind = parse_kind(source, call.args[0])
    if word == "param":
        return _parse_parameter(source, call, Position(at.line, at.column, at.column + len(name)), name)
    if kind.word == "gain":
        raise source.refuse(
            kind.at, "only a parameter can be a gain", source.text(kind.at), "use param or number"
        )
    return _OTHERS[word](source, call, at, name, kind)


def _parse_variable(source: Source, call: ast.Call, at: Position, name: str, kind: Kindred) -> Declaration:
    """variable = var(kind, value)"""
    return Variable(at, name, kind, _parse_number(source, call.args[1]))


def _parse_constant(source: Source, call: ast.Call, at: Position, name: str, kind: Kindred) -> Declaration:
    """constant = const(kind, value)"""
    return Constant(at, name, kind, _parse_number(source, call.args[1]))


def _parse_array(source: Source, call: ast.Call, at: Position, name: str, kind: Kindred) -> Declaration:
    """array = array(kind, length, value)"""
    length = _parse_number(source, call.args[1])
    if not isinstance(length, int) or not 1 <= length <= LENGTH_LIMIT:
        where = position_of(call.args[1])
        raise source.refuse(
            where, f"an array has 1..{LENGTH_LIMIT} elements", source.text(where), "correct the length"
        )
    return Array(at, name, kind, length, _parse_number(source, call.args[2]))


def _parse_table(source: Source, call: ast.Call, at: Position, name: str, kind: Kindred) -> Declaration:
    """table = table(kind, "(" value "," ... ")")"""
    row = call.args[1]
    if not isinstance(row, ast.Tuple) or not 1 <= len(row.elts) <= LENGTH_LIMIT:
        where = position_of(row)
        raise source.refuse(
            where,
            f"a table has 1..{LENGTH_LIMIT} values in parentheses",
            source.text(where),
            _EXAMPLES["table"],
        )
    return Table(at, name, kind, tuple(_parse_number(source, value) for value in row.elts))


def _parse_parameter(source: Source, call: ast.Call, at: Position, name: str) -> Parameter:
    """parameter = param(kind, "key", default, low=, high=, about= [, times=] [, fitted=True])"""
    kind = parse_kind(source, call.args[0])
    key = _parse_text(source, call.args[1])
    default = _parse_number(source, call.args[2])
    given = {keyword.arg: keyword.value for keyword in call.keywords if keyword.arg in _KEYWORDS}
    if len(given) != len(call.keywords) or not {"low", "high", "about"} <= set(given):
        raise source.refuse(at, "a parameter states its range and purpose", source.text(position_of(call)),
                            _EXAMPLES["param"])  # fmt: skip
    low, high = (_parse_number(source, given[word]) for word in ("low", "high"))
    times = _parse_number(source, given["times"]) if "times" in given else 1
    if not low <= default <= high:
        where = position_of(call.args[2])
        raise source.refuse(
            where, f"the default lies in {low:g}..{high:g}", source.text(where), "correct the range"
        )
    about = _parse_text(source, given["about"])
    fitted = "fitted" in given and _parse_true(source, given["fitted"])
    return Parameter(at, name, kind, key, default, low, high, about, times, fitted)


def _parse_true(source: Source, node: ast.expr) -> bool:
    if not isinstance(node, ast.Constant) or node.value is not True:
        at = position_of(node)
        raise source.refuse(at, "fitted is True or left out", source.text(at), "write fitted=True")
    return True


def _parse_text(source: Source, node: ast.expr) -> str:
    if not isinstance(node, ast.Constant) or not isinstance(node.value, str) or not node.value:
        at = position_of(node)
        raise source.refuse(at, "this is a text", source.text(at), 'write it in quotes, "..."')
    return node.value


def _parse_number(source: Source, node: ast.expr) -> int | float:
    value = parse_expression(source, node)
    if not isinstance(value, Literal):
        at = position_of(node)
        raise source.refuse(at, "a declared value is a plain number", source.text(at), "write the number")
    return value.value


_OTHERS: Final[dict[str, Callable[[Source, ast.Call, Position, str, Kindred], Declaration]]] = {
    "var": _parse_variable,
    "const": _parse_constant,
    "array": _parse_array,
    "table": _parse_table,
}
