"""A C expression in the making: its text, its type, and what it reads."""

from dataclasses import dataclass
from typing import Final

from controllers.c.ranges import Range
from controllers.c.types import c_type, literal
from controllers.kinds import Kind

ATOM: Final = 0
UNARY: Final = 1
PRODUCT: Final = 2
SUM: Final = 3
LOOSE: Final = 4
"""How tightly the outermost operator binds (C99 6.5); LOOSE operands always get parentheses."""

Key = tuple[str, int]
"""What an expression reads: ("static", slot), ("array", first slot) or ("web", number)."""


@dataclass(frozen=True)
class Value:
    """An expression whose C type is exactly that of `kind`, so that no promotion shows outside of it.

    range: of an integer, as far as known. inputs: hardware reads inside. constant: the stored number where
    it is one.
    """

    text: str
    kind: Kind
    rank: int = ATOM
    range: Range | None = None
    reads: frozenset[Key] = frozenset()
    inputs: int = 0
    constant: float | None = None

    def inside(self, rank: int) -> str:
        """The text as an operand of an operator that binds as `rank`."""
        return self.text if self.rank <= rank else f"({self.text})"


def constant(kind: Kind, stored: float) -> Value:
    """A literal."""
    text = literal(kind, stored)
    known = None if kind.is_float else Range(int(stored), int(stored))
    return Value(text, kind, UNARY if text.startswith("-") else ATOM, known, constant=stored)


def built(kind: Kind, text: str, rank: int, *parts: Value) -> Value:
    """An expression of `parts` that has the type of `kind` by itself."""
    reads = frozenset[Key]().union(*(part.reads for part in parts))
    return Value(text, kind, rank, None, reads, sum(part.inputs for part in parts))


def cast(kind: Kind, text: str, rank: int, *parts: Value) -> Value:
    """An expression converted to the type of `kind`."""
    operand = text if rank <= UNARY else f"({text})"
    return built(kind, f"({c_type(kind)}){operand}", UNARY, *parts)


def call(kind: Kind, function: str, *parts: Value) -> Value:
    """A call of a helper with the parts as arguments."""
    return built(kind, f"{function}({', '.join(part.text for part in parts)})", ATOM, *parts)
