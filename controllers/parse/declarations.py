"""The class body: `param`, `var` and `const` declarations."""

import ast
from typing import Final

from controllers.parse.expressions import parse_expression, parse_kind
from controllers.parse.source import Position, Source, position_of
from controllers.parse.tree import Constant, Declaration, Literal, Parameter, Variable

_WORDS: Final = ("param", "var", "const")
_KEYWORDS: Final = ("low", "high", "about", "times")
_POSITIONAL: Final = {"param": 3, "var": 2, "const": 2}


def parse_declaration(source: Source, node: ast.Assign) -> Declaration:
    """declaration = NAME "=" word "(" kind "," ... ")" """
    at = position_of(node)
    call = node.value
    if len(node.targets) != 1 or not isinstance(node.targets[0], ast.Name):
        raise source.refuse(
            at, "a declaration has one name", source.text(at), "write NAME = var(kind, value)"
        )
    if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in _WORDS):
        where = position_of(call)
        raise source.refuse(
            where,
            "a class variable is declared",
            source.text(where),
            "use param(...), var(...) or const(...)",
        )
    name, word = node.targets[0].id, call.func.id
    if len(call.args) != _POSITIONAL[word] or (word != "param" and call.keywords):
        where = position_of(call)
        raise source.refuse(
            where, f"{word} takes {_POSITIONAL[word]} values", source.text(where), _example(word)
        )
    kind = parse_kind(source, call.args[0])
    if word == "param":
        return _parse_parameter(source, call, Position(at.line, at.column, at.column + len(name)), name)
    if kind.word == "gain":
        raise source.refuse(
            kind.at, "only a parameter can be a gain", source.text(kind.at), "use param or number"
        )
    value = _parse_number(source, call.args[1])
    return Variable(at, name, kind, value) if word == "var" else Constant(at, name, kind, value)


def _example(word: str) -> str:
    return (
        'write param(kind, "key", default, low=, high=, about=)'
        if word == "param"
        else f"write {word}(kind, value)"
    )


def _parse_parameter(source: Source, call: ast.Call, at: Position, name: str) -> Parameter:
    """parameter = param(kind, "key", default, low=, high=, about= [, times=])"""
    kind = parse_kind(source, call.args[0])
    key = _parse_text(source, call.args[1])
    default = _parse_number(source, call.args[2])
    given = {keyword.arg: keyword.value for keyword in call.keywords if keyword.arg in _KEYWORDS}
    if len(given) != len(call.keywords) or not {"low", "high", "about"} <= set(given):
        raise source.refuse(at, "a parameter states its range and purpose", source.text(position_of(call)),
                            _example("param"))  # fmt: skip
    low, high = (_parse_number(source, given[word]) for word in ("low", "high"))
    times = _parse_number(source, given["times"]) if "times" in given else 1
    if not low <= default <= high:
        where = position_of(call.args[2])
        raise source.refuse(
            where, f"the default lies in {low:g}..{high:g}", source.text(where), "correct the range"
        )
    return Parameter(at, name, kind, key, default, low, high, _parse_text(source, given["about"]), times)


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
