"""The text of a law file and the faults found in it, with places that a reader can jump to."""

import ast
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

from targets.errors import Fault, InputError

_SHIPPED: Final = Path(__file__).resolve().parents[1]
_LINE_END: Final = 1 << 20  # past the end of any line


class Position(NamedTuple):
    """Where source text stands, from 1; columns count UTF-8 bytes as ast does, `end` is past the last."""

    line: int
    column: int
    end: int


class RefusedError(Exception):
    """A fault has been recorded; the construct around it cannot be understood. Never leaves the package."""


@dataclass(frozen=True)
class SourceFault(Fault):
    """A fault of a law file: shows the source line with a caret below the message."""

    excerpt: str

    def __str__(self) -> str:
        return f"{Fault.__str__(self)}\n{self.excerpt}"


class SourceFile(NamedTuple):
    """One of the files that a law is made of; `before` lines of the others stand above it."""

    path: Path
    before: int


@dataclass
class Source:
    """The text of a law, and every fault recorded while it is read and compiled.

    A law that derives from another one has several files. Their lines are numbered through, the law's own
    first; `place_of` gives file and line back. `base_class` is what the class being read derives from.
    """

    files: list[SourceFile] = field(default_factory=list)
    lines: tuple[str, ...] = ()
    faults: list[Fault] = field(default_factory=list)
    base_class: str = ""

    def append(self, path: Path, text: str) -> int:
        """Add a file below the others; returns how many lines stand above it."""
        before = len(self.lines)
        self.files.append(SourceFile(path, before))
        self.lines += tuple(text.split("\n"))
        return before

    def place_of(self, line: int) -> tuple[Path, int]:
        """File and line in it of a line numbered through."""
        path, before = max((f for f in self.files if f.before < line), key=lambda f: f.before)
        return path, line - before

    def place_in_words(self, line: int) -> str:
        """As `Program.place`: "line 12" of the law's own file, else "line 12 of base.py"."""
        path, number = self.place_of(line)
        return f"line {number}" if line == number else f"line {number} of {path.name}"

    def text(self, at: Position) -> str:
        """The source text at a position (its first line only)."""
        line = self.lines[at.line - 1].encode()
        return line[at.column - 1 : at.end - 1].decode(errors="replace")

    def refuse(self, at: Position, rule: str, found: str, remedy: str) -> RefusedError:
        """Record one fault; the caller raises the answer where it cannot go on."""
        line = self.lines[at.line - 1] if at.line <= len(self.lines) else ""
        before = len(line.encode()[: at.column - 1].decode(errors="replace"))
        width = len(line.encode()[at.column - 1 : at.end - 1].decode(errors="replace"))
        caret = " " * before + "^" * max(1, width)
        path, number = self.place_of(at.line)
        place = f"{_shown(path)}:{number}:{before + 1}"
        self.add(SourceFault(place, rule, found, remedy, f"    {line}\n    {caret}"))
        return RefusedError(rule)

    def add(self, fault: Fault) -> None:
        """Record a fault once, however often the same text is compiled (helpers, unrolled loops)."""
        if fault not in self.faults:
            self.faults.append(fault)

    def raise_faults(self) -> None:
        """Raise InputError with all the faults recorded so far, in the order of the text."""
        if self.faults:
            raise InputError(sorted(self.faults, key=self._order))

    def _order(self, fault: Fault) -> tuple[int, int, int]:
        """The law's own file first, then by line and column; faults of the scenario above all."""
        if not isinstance(fault, SourceFault):
            return (-1, 0, 0)
        path, line, column = fault.place.rsplit(":", 2)
        paths = [_shown(file.path) for file in self.files]
        return (paths.index(path), int(line), int(column))


def _shown(path: Path) -> str:
    """A file as a reader knows it: those that come with tickspin by their names alone."""
    return path.name if path.is_relative_to(_SHIPPED) else str(path)


def position_of(node: ast.stmt | ast.expr | ast.keyword | ast.arg) -> Position:
    """Position of a Python syntax node; several lines are cut at the end of the first."""
    end = node.end_col_offset if node.end_lineno == node.lineno else None
    return Position(node.lineno, node.col_offset + 1, _LINE_END if end is None else end + 1)
