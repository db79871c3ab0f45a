"""A whole law file: source text -> `Law`. The text is parsed, never executed or imported."""

import ast
from pathlib import Path
from typing import Final

from controllers.parse.declarations import parse_declaration
from controllers.parse.source import Position, RefusedError, Source, position_of
from controllers.parse.statements import parse_block
from controllers.parse.tree import Declaration, Law, Method
from targets.errors import Fault, InputError

_DIALECT: Final = "controllers.dialect"
_TOP: Final = Position(1, 1, 2)
_DEPTH_LIMIT: Final = 80  # levels of the syntax tree: far above any law, far below Python's recursion limit


def parse_law(path: Path) -> Law:
    """Read the law file at `path`.

    Raises:
        InputError: with every fault of the text, each at file:line:col.
    """
    source = Source(path, tuple(_read(path).split("\n")))
    tree = _parse_python(source)
    _check_depth(source, tree)
    classes = [node for node in tree.body if isinstance(node, ast.ClassDef)]
    for node in tree.body:
        _check_top_level(source, node)
    if len(classes) != 1:
        source.refuse(
            _TOP, "a law file holds one class derived from Law", f"{len(classes)} classes", "keep one"
        )
        source.raise_faults()
    law = _parse_class(source, path.stem, classes[0])
    source.raise_faults()
    return law


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise InputError(
            [Fault(str(path), "a law is a readable text file", str(reason), "check the path")]
        ) from error


def _parse_python(source: Source) -> ast.Module:
    try:
        return ast.parse("\n".join(source.lines))
    except (SyntaxError, ValueError, RecursionError) as error:
        line = getattr(error, "lineno", None) or 1
        column = getattr(error, "offset", None) or 1
        reason = getattr(error, "msg", None) or str(error)
        at = Position(line, column, column + 1)
        source.refuse(at, "a law is legal Python", reason, "correct the syntax")
        source.raise_faults()
        raise AssertionError("unreachable") from error


def _check_depth(source: Source, tree: ast.Module) -> None:
    """Refuse a text nested so deeply that reading it would exhaust the stack."""
    level: list[ast.AST] = [tree]
    for _ in range(_DEPTH_LIMIT):
        level = [child for node in level for child in ast.iter_child_nodes(node)]
    for node in level:
        if isinstance(node, ast.expr | ast.stmt):
            source.refuse(
                position_of(node), f"nesting is at most {_DEPTH_LIMIT} levels", "more", "use variables"
            )
            source.raise_faults()


def _check_top_level(source: Source, node: ast.stmt) -> None:
    """file = docstring, import from controllers.dialect, one class"""
    if isinstance(node, ast.ClassDef):
        return
    if (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    ):
        return
    if isinstance(node, ast.ImportFrom) and node.module == _DIALECT and node.level == 0:
        return
    at = position_of(node)
    source.refuse(
        at,
        f"a law file holds imports from {_DIALECT} and one class",
        source.text(at),
        "remove this line; it is not run",
    )


def _parse_class(source: Source, name: str, node: ast.ClassDef) -> Law:
    """class = "class" NAME "(Law):" docstring (declaration | method) ..."""
    at = Position(node.lineno, node.col_offset + 1, node.col_offset + 1 + len(f"class {node.name}"))
    bases = [base.id for base in node.bases if isinstance(base, ast.Name)]
    if bases != ["Law"] or len(node.bases) != 1 or node.keywords or node.decorator_list:
        source.refuse(at, "the class derives from Law alone", source.text(at), "write class NAME(Law):")
    docstring = ast.get_docstring(node)
    if not docstring:
        source.refuse(at, "a law says what it does", "no docstring", "write one line below the class line")
    declarations: dict[str, Declaration] = {}
    methods: dict[str, Method] = {}
    for member in node.body:
        try:
            _parse_member(source, member, declarations, methods)
        except RefusedError:
            continue
    summary = (docstring or "").partition("\n")[0]
    return Law(at, name, node.name, summary, declarations, methods, source)


def _parse_member(
    source: Source, node: ast.stmt, declarations: dict[str, Declaration], methods: dict[str, Method]
) -> None:
    """member = docstring | declaration | method"""
    if (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    ):
        return
    if isinstance(node, ast.FunctionDef):
        method = _parse_method(source, node)
        _check_new(source, method.at, method.name, declarations, methods)
        methods[method.name] = method
    elif isinstance(node, ast.Assign):
        declaration = parse_declaration(source, node)
        _check_new(source, declaration.at, declaration.name, declarations, methods)
        declarations[declaration.name] = declaration
    else:
        at = position_of(node)
        raise source.refuse(
            at, "a class holds declarations and methods", source.text(at), "move it into a method"
        )


def _check_new(
    source: Source, at: Position, name: str, declarations: dict[str, Declaration], methods: dict[str, Method]
) -> None:
    if name in declarations or name in methods:
        raise source.refuse(at, "a name is declared once", name, "choose another name")


def _parse_method(source: Source, node: ast.FunctionDef) -> Method:
    """method = "def" name "(self):" block"""
    at = Position(node.lineno, node.col_offset + 1, node.col_offset + 1 + len(f"def {node.name}"))
    arguments = node.args
    names = [argument.arg for argument in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs)]
    if names != ["self"] or arguments.vararg or arguments.kwarg or arguments.defaults:
        source.refuse(at, "a method takes self alone", source.text(at), "pass values in static variables")
    if node.decorator_list:
        source.refuse(at, "a method has no decorator", source.text(at), "remove it")
    return Method(at, node.name, parse_block(source, node.body))
