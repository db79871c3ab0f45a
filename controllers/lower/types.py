"""Types of the dialect: a word as the law writes it, and the kind of number behind it in this binding."""

from dataclasses import dataclass
from typing import Final

from controllers.binding import Binding, number_kind
from controllers.kinds import I16, KIND_BY_NAME, Kind, fixed_kind, nearest_fixed_name
from controllers.parse.source import Source
from controllers.parse.tree import Kindred

NUMBER_OPERATORS: Final = ("+", "-", "*", "/")
_INTEGER_OPERATORS: Final = ("+", "-", "*", "//", "%", "&", "|", "^", "<<", ">>")
_WIDE_OPERATORS: Final = ("+", "-", "*", "//", "%", "<<", ">>")
_FIXED_OPERATORS: Final = ("+", "-", "*", "/", "%")


@dataclass(frozen=True)
class Type:
    """`word` keeps `number` and i32 apart even where both are i32: a law compiles in every arithmetic."""

    word: str
    kind: Kind

    @property
    def is_number(self) -> bool:
        """Whether the scenario's arithmetic decides the kind."""
        return self.word == "number"

    @property
    def operators(self) -> tuple[str, ...]:
        """The arithmetic operators this type has."""
        if self.is_number or self.kind.is_float:
            return NUMBER_OPERATORS
        if self.kind.is_wide:
            return _WIDE_OPERATORS
        return _FIXED_OPERATORS if self.kind.is_fixed else _INTEGER_OPERATORS


@dataclass(frozen=True)
class Types:
    """The words of the dialect resolved for one binding."""

    number: Type
    ticks: Type
    gain: Type

    def resolve(self, source: Source, kind: Kindred) -> Type:
        """Type of a kind as written; refuses a fixed-point total that is no legal width."""
        if kind.word == "q":
            return self._resolve_fixed(source, kind)
        return self.named(kind.word)

    def of_value(self, source: Source, kind: Kindred) -> Type:
        """Type of a value as written; a gain is known at compile time only."""
        if kind.word == "gain":
            raise source.refuse(kind.at, "only a parameter can be a gain", kind.word, "use number")
        return self.resolve(source, kind)

    def named(self, word: str) -> Type:
        """Type of a plain word."""
        bound = {"number": self.number, "ticks": self.ticks, "gain": self.gain}
        return bound[word] if word in bound else Type(word, KIND_BY_NAME[word])

    def _resolve_fixed(self, source: Source, kind: Kindred) -> Type:
        whole, fraction = kind.widths
        found = fixed_kind(whole, fraction)
        if found is None:
            nearest = nearest_fixed_name(whole, fraction).removeprefix("q").replace(".", ", ")
            raise source.refuse(
                kind.at,
                "q(m, n) fills 8, 16 or 32 bits with its sign",
                source.text(kind.at),
                f"write q({nearest})",
            )
        return Type(found.name, found)


def bind_types(binding: Binding) -> Types:
    """The three words that the binding decides. An integer gain is a 15-bit mantissa in an i16."""
    number = number_kind(binding.arithmetic)
    ticks = KIND_BY_NAME[f"u{binding.timer_bits}"]
    gain = I16 if number.is_integer else number
    return Types(Type("number", number), Type("ticks", ticks), Type("gain", gain))
