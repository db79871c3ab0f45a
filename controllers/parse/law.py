"""A whole law: source text -> `Law`. The text is parsed, never executed or imported.

A law derives from `Law`, or from a class of `controllers.bases` or `controllers.laws`: then it has that one's
declarations and methods too, and what it declares or defines again replaces them.
"""

import ast
import functools
import threading
from dataclasses import replace
from pathlib import Path
from typing import Final, NamedTuple

from controllers.parse.declarations import parse_declaration
from controllers.parse.expressions import parse_kind
from controllers.parse.source import Position, RefusedError, Source, position_of
from controllers.parse.statements import parse_block
from controllers.parse.tree import Argument, Declaration, Kindred, Law, Method
from targets.errors import Fault, InputError

_DIALECT: Final = "controllers.dialect"
_ROOT: Final = "Law"
_PACKAGE: Final = Path(__file__).resolve().parents[1]
_BASE_FOLDERS: Final = ("bases", "laws")
_BASE_LIMIT: Final = 8  # files that one law derives through
_DEPTH_LIMIT: Final = 80  # levels of the syntax tree: far above any law, far below Python's recursion limit
_PARSING: Final = threading.Lock()
"""One text is parsed at a time: Python 3.11's own parser fails in two threads at once (a shared counter)."""


class Base(NamedTuple):
    """A class to derive from, as imported."""

    path: Path
    class_name: str


def parse_law(path: Path) -> Law:
    """Read the law file at `path`, and the files it derives from.

    Raises:
        InputError: with every fault of the text, each at file:line:col.
    """
    source = Source()
    law = _parse_file(source, path, ())
    source.raise_faults()
    return law


def _parse_file(source: Source, path: Path, derived: tuple[Path, ...]) -> Law:
    """file = docstring, imports, one class; `derived` are the files that led here."""
    text = _read(path)
    before = source.append(path, text)
    top = Position(before + 1, 1, 2)
    tree = _parse_python(source, text, before)
    _check_depth(source, tree)
    classes = [node for node in tree.body if isinstance(node, ast.ClassDef)]
    bases: dict[str, Base] = {}
    for node in tree.body:
        _check_top_level(source, node, bases)
    if len(classes) != 1:
        source.refuse(
            top, "a law file holds one class derived from Law", f"{len(classes)} classes", "keep one"
        )
        source.raise_faults()
    law, base = _parse_class(source, path.stem, classes[0], bases)
    if base is None:
        return law
    chain = (*derived, path.resolve())
    if base.path in chain:
        raise _stop(source, law.at, "a law does not derive from itself", base.path.stem, "derive from Law")
    if len(chain) > _BASE_LIMIT:
        rule = f"a law derives through at most {_BASE_LIMIT} files"
        raise _stop(source, law.at, rule, base.path.stem, "derive from Law")
    above = _parse_file(source, base.path, chain)
    if base.class_name != above.class_name:
        raise _stop(source, law.at, f"the class of {base.path.name} is {above.class_name}", base.class_name,
                    "import that one")  # fmt: skip
    return _joined(law, above)


def _joined(law: Law, base: Law) -> Law:
    """The law with what it takes over from its base, whose methods `super()` reaches as BASE.name."""
    for name in (law.declarations.keys() & base.methods.keys()) | (
        law.methods.keys() & base.declarations.keys()
    ):
        at = law.declarations[name].at if name in law.declarations else law.methods[name].at
        law.source.refuse(at, f"{name} is a name of {base.class_name}", name, "choose another name")
    above = {f"{base.class_name}.{name}": method for name, method in base.methods.items()}
    return replace(
        law,
        declarations={**base.declarations, **law.declarations},
        methods={**above, **base.methods, **law.methods},
    )


def _stop(source: Source, at: Position, rule: str, found: str, remedy: str) -> AssertionError:
    """Record a fault after which nothing can be read, and raise all of them."""
    source.refuse(at, rule, found, remedy)
    source.raise_faults()
    return AssertionError("unreachable")


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise InputError(
            [Fault(str(path), "a law is a readable text file", str(reason), "check the path")]
        ) from error


def _parse_python(source: Source, text: str, before: int) -> ast.Module:
    try:
        return _read_tree("\n" * before + text)  # lines are numbered through
    except (SyntaxError, ValueError, RecursionError) as error:
        line = getattr(error, "lineno", None) or before + 1
        column = getattr(error, "offset", None) or 1
        reason = getattr(error, "msg", None) or str(error)
        at = Position(line, column, column + 1)
        raise _stop(source, at, "a law is legal Python", reason, "correct the syntax") from error


@functools.lru_cache(maxsize=64)
def _read_tree(text: str) -> ast.Module:
    """The syntax tree, which nobody changes: the variants of a design read the same text again and again."""
    with _PARSING:
        return ast.parse(text)


@functools.lru_cache(maxsize=64)
def _deepest(tree: ast.Module) -> tuple[ast.AST, ...]:
    """The nodes below _DEPTH_LIMIT levels."""
    level: list[ast.AST] = [tree]
    for _ in range(_DEPTH_LIMIT):
        level = [child for node in level for child in ast.iter_child_nodes(node)]
    return tuple(level)


def _check_depth(source: Source, tree: ast.Module) -> None:
    """Refuse a text nested so deeply that reading it would exhaust the stack."""
    for node in _deepest(tree):
        if isinstance(node, ast.expr | ast.stmt):
            raise _stop(
                source,
                position_of(node),
                f"nesting is at most {_DEPTH_LIMIT} levels",
                "more",
                "use variables",
            )


def _is_text(node: ast.stmt) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )


def _check_top_level(source: Source, node: ast.stmt, bases: dict[str, Base]) -> None:
    """top = docstring | import from controllers.dialect or of one base class | class"""
    if isinstance(node, ast.ClassDef) or _is_text(node):
        return
    if isinstance(node, ast.ImportFrom) and node.level == 0:
        if node.module == _DIALECT:
            return
        path = _base_path(node.module or "")
        if path is not None:
            bases.update({(name.asname or name.name): Base(path, name.name) for name in node.names})
            return
    at = position_of(node)
    source.refuse(
        at,
        f"a law file holds imports from {_DIALECT} and one class",
        source.text(at),
        "remove this line; it is not run",
    )


def _base_path(module: str) -> Path | None:
    """File of a class to derive from."""
    parts = module.split(".")
    if len(parts) != 3 or parts[0] != _PACKAGE.name or parts[1] not in _BASE_FOLDERS:
        return None
    path = _PACKAGE / parts[1] / f"{parts[2]}.py"
    return path if path.is_file() else None


def _parse_class(
    source: Source, name: str, node: ast.ClassDef, bases: dict[str, Base]
) -> tuple[Law, Base | None]:
    """class = "class" NAME "(" base "):" docstring (declaration | method) ...; with the file of its base"""
    at = Position(node.lineno, node.col_offset + 1, node.col_offset + 1 + len(f"class {node.name}"))
    base = node.bases[0].id if len(node.bases) == 1 and isinstance(node.bases[0], ast.Name) else ""
    if (base != _ROOT and base not in bases) or node.keywords or node.decorator_list:
        remedy = "write class NAME(Law):, or import the base from controllers.bases"
        source.refuse(at, "the class derives from Law alone", source.text(at), remedy)
    docstring = ast.get_docstring(node)
    if not docstring:
        source.refuse(at, "a law says what it does", "no docstring", "write one line below the class line")
    declarations: dict[str, Declaration] = {}
    methods: dict[str, Method] = {}
    source.base_class = base
    for member in node.body:
        try:
            _parse_member(source, member, declarations, methods)
        except RefusedError:
            continue
    summary = (docstring or "").partition("\n")[0]
    return Law(at, name, node.name, summary, declarations, methods, source), bases.get(base)


def _parse_member(
    source: Source, node: ast.stmt, declarations: dict[str, Declaration], methods: dict[str, Method]
) -> None:
    """member = docstring | declaration | method"""
    if _is_text(node):
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
    """method = "def" name "(self" ("," argument)* ")" "->" (kind | "None") ":" block"""
    at = Position(node.lineno, node.col_offset + 1, node.col_offset + 1 + len(f"def {node.name}"))
    if node.decorator_list:
        source.refuse(at, "a method has no decorator", source.text(at), "remove it")
    arguments = node.args
    is_plain = not (
        arguments.posonlyargs
        or arguments.kwonlyargs
        or arguments.vararg
        or arguments.kwarg
        or arguments.defaults
    )
    if not is_plain or not arguments.args or arguments.args[0].arg != "self":
        rule = "a method takes self and plain arguments"
        raise source.refuse(at, rule, source.text(at), "write def name(self, x: u16) -> None:")
    given = tuple(_parse_argument(source, argument) for argument in arguments.args[1:])
    return Method(at, node.name, given, _parse_result(source, node), parse_block(source, node.body))


def _parse_argument(source: Source, node: ast.arg) -> Argument:
    """argument = name ":" kind"""
    at = position_of(node)
    if node.annotation is None:
        raise source.refuse(at, "an argument states its kind", source.text(at), f"write {node.arg}: u16")
    return Argument(at, node.arg, parse_kind(source, node.annotation))


def _parse_result(source: Source, node: ast.FunctionDef) -> Kindred | None:
    """result = [kind | "None"]"""
    if node.returns is None or (isinstance(node.returns, ast.Constant) and node.returns.value is None):
        return None
    return parse_kind(source, node.returns)
