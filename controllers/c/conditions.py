"""Conditions of `if`: comparisons joined by && and ||."""

from dataclasses import dataclass
from typing import Final

from controllers import opcodes
from controllers.c.text import LOOSE, Key, Value
from controllers.opcodes import OPCODES

_SIGNS: Final = {
    opcodes.JUMP_LT: "<",
    opcodes.JUMP_LE: "<=",
    opcodes.JUMP_EQ: "==",
    opcodes.JUMP_NE: "!=",
    opcodes.JUMP_NOT_LT: ">=",
    opcodes.JUMP_NOT_LE: ">",
    opcodes.WIDE_JUMP_LT: "<",
    opcodes.WIDE_JUMP_LE: "<=",
    opcodes.F_JUMP_LT: "<",
    opcodes.F_JUMP_LE: "<=",
    opcodes.F_JUMP_EQ: "==",
    opcodes.F_JUMP_NE: "!=",
    opcodes.F_JUMP_NOT_LT: "not <",
    opcodes.F_JUMP_NOT_LE: "not <=",
}
_OPPOSITE: Final = {"<": ">=", "<=": ">", "==": "!=", "!=": "==", ">=": "<", ">": "<="}
_MIRRORED: Final = {"<": ">", "<=": ">=", "==": "==", "!=": "!=", ">=": "<=", ">": "<"}


@dataclass(frozen=True)
class Comparison:
    """`left sign right`, or its opposite where `is_negated`: NaN makes !(a < b) and a >= b differ."""

    sign: str
    left: Value
    right: Value
    is_negated: bool = False

    @property
    def text(self) -> str:
        """The comparison in C, the constant on the right."""
        left, right, sign = self.left, self.right, self.sign
        if left.constant is not None and right.constant is None:
            left, right, sign = right, left, _MIRRORED[sign]
        plain = f"{left.inside(LOOSE - 1)} {sign} {right.inside(LOOSE - 1)}"
        return f"!({plain})" if self.is_negated else plain

    @property
    def values(self) -> tuple[Value, ...]:
        return (self.left, self.right)

    def negated(self) -> "Comparison":
        """The condition that holds where this one does not."""
        if self.left.kind.is_float and self.sign not in ("==", "!="):
            return Comparison(self.sign, self.left, self.right, not self.is_negated)
        return Comparison(_OPPOSITE[self.sign], self.left, self.right)


@dataclass(frozen=True)
class Junction:
    """Two conditions joined by && or ||, evaluated from left to right (C99 6.5.13 p4, 6.5.14 p4)."""

    is_and: bool
    first: "Condition"
    second: "Condition"

    @property
    def text(self) -> str:
        """Both conditions in C, parted by && or ||."""
        sign = "&&" if self.is_and else "||"
        return f"{self._part(self.first)} {sign} {self._part(self.second)}"

    @property
    def values(self) -> tuple[Value, ...]:
        return (*self.first.values, *self.second.values)

    def negated(self) -> "Junction":
        """De Morgan."""
        return Junction(not self.is_and, self.first.negated(), self.second.negated())

    def _part(self, part: "Condition") -> str:
        is_other = isinstance(part, Junction) and part.is_and != self.is_and
        return f"({part.text})" if is_other else part.text


Condition = Comparison | Junction


def comparison(opcode: int, left: Value, right: Value) -> Comparison:
    """What makes a compare-and-jump instruction jump."""
    assert OPCODES[opcode].jumps
    sign = _SIGNS[opcode]
    if sign.startswith("not "):
        return Comparison(sign.removeprefix("not "), left, right, is_negated=True)
    return Comparison(sign, left, right)


def reads_of(condition: Condition) -> frozenset[Key]:
    """Everything that a condition reads."""
    return frozenset[Key]().union(*(value.reads for value in condition.values))
