"""One handler as a C function, with the lines of the law as comments."""

from collections.abc import Iterator, Sequence
from typing import Final

from controllers.c.fold import Folder, Symbols
from controllers.c.helpers import Helpers
from controllers.c.locals import declared
from controllers.c.statements import Assign, If, Item, Label, Output
from controllers.c.structure import join_conditions, nest
from controllers.program import Program

INDENT: Final = "    "


def handler_text(program: Program, symbols: Symbols, helpers: Helpers, name: str) -> str:
    """The C function of a handler."""
    folder = Folder(program, symbols, helpers, program.handlers[name])
    items = declared(nest(join_conditions(folder.blocks)), folder.variables)
    lines = [f"void {name}(void)", "{", *_Writer(program).lines(items, 1), "}"]
    return "\n".join(lines) + "\n"


def safe(text: str) -> str:
    """Text that can stand in a C comment: no end of it, no nested one, no trigraph (C99 5.2.1.1)."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    for bad in ("*/", "/*", "??"):
        plain = plain.replace(bad, f"{bad[0]} {bad[1]}")
    return plain


def comment(text: str) -> str:
    """A comment in one line."""
    return f"/* {safe(text).strip()} */"


class _Writer:
    """Writes statements, and above them the line of the law they come from, with the comments above that."""

    def __init__(self, program: Program) -> None:
        self._program = program
        self._last = 0

    def lines(self, items: Sequence[Item], depth: int) -> Iterator[str]:
        """Lines of C for a block."""
        pad = INDENT * depth
        for item in items:
            if isinstance(item, Label):
                yield f"{item.label}:;"
            elif isinstance(item, If):
                yield from self._law_line(item.line, pad)
                yield from self._if(item, depth)
            else:
                if isinstance(item, Assign | Output):
                    yield from self._law_line(item.line, pad)
                yield f"{pad}{item.text}"

    def _if(self, item: If, depth: int) -> Iterator[str]:
        pad = INDENT * depth
        yield f"{pad}if ({item.condition.text}) {{"
        yield from self.lines(item.then, depth + 1)
        while len(item.otherwise) == 1 and isinstance(item.otherwise[0], If):
            item = item.otherwise[0]
            yield f"{pad}}} else if ({item.condition.text}) {{ {self._law_comment(item.line)}"
            yield from self.lines(item.then, depth + 1)
        if item.otherwise:
            yield f"{pad}}} else {{"
            yield from self.lines(item.otherwise, depth + 1)
        yield f"{pad}}}"

    def _source(self, line: int) -> str:
        return self._program.source[line - 1].strip()

    def _law_comment(self, line: int) -> str:
        return comment(f"{self._program.place(line)}: {self._source(line)}")

    def _law_line(self, line: int, pad: str) -> Iterator[str]:
        """The law's line as a comment, once for all that it became."""
        if line == self._last:
            return
        self._last = line
        first = line
        while first > 1 and self._source(first - 1).startswith("#"):
            first -= 1
        for number in range(first, line):
            yield f"{pad}{comment(self._source(number).lstrip('# '))}"
        yield f"{pad}{self._law_comment(line)}"
