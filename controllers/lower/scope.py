"""What the lowering functions share: the law's names, the method being compiled, and operands."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from controllers.lower.constants import OutOfRangeError, Stored, encode, is_exact
from controllers.lower.emitter import Emitter
from controllers.lower.types import Type, Types
from controllers.parse.source import Position, Source
from controllers.parse.tree import Method
from controllers.program import Rounding


@dataclass(frozen=True)
class Operand:
    """The value of an expression.

    A literal has neither type nor slot yet. A constant has `value` (stored form, or the number itself for a
    literal). Everything else stands in `slot`; `is_fresh` where that is a temporary of its own.
    """

    type: Type | None
    value: Stored | None = None
    slot: int = 0
    is_fresh: bool = False


@dataclass(frozen=True)
class StaticName:
    """A static variable."""

    type: Type
    slot: int


@dataclass(frozen=True)
class ConstantName:
    """A named constant or parameter; `shift` is the right shift of an integer gain."""

    type: Type
    value: Stored
    shift: int = 0


@dataclass(frozen=True)
class ArrayName:
    """An array, or a table where `values` are given; its elements stand from `slot` on."""

    type: Type
    slot: int
    length: int
    values: tuple[Stored, ...] = ()


Symbol = StaticName | ConstantName | ArrayName


@dataclass
class Frame:
    """One method being compiled (or inlined): its locals, loop counters, arguments that stay what they are,
    where `return` goes, and type and slot of its result."""

    method: str
    end: int
    result: tuple[Type, int] | None = None
    types: dict[str, Type | None] = field(default_factory=dict)
    slots: dict[str, int] = field(default_factory=dict)
    assigned: set[str] = field(default_factory=set)
    counters: dict[str, int] = field(default_factory=dict)
    unchanged: dict[str, Operand] = field(default_factory=dict)
    is_guarding: bool = False


@dataclass
class Reports:
    """What was made of declared numbers: rounded ones, and parameters by key that fit the motor, in their
    units."""

    rounding: list[Rounding] = field(default_factory=list)
    fitted: dict[str, float] = field(default_factory=dict)


@dataclass
class Scope:
    """The state of one compilation. `block` compiles a method's statements: expressions call helpers."""

    source: Source
    types: Types
    emitter: Emitter
    symbols: Mapping[str, Symbol | None]
    methods: Mapping[str, Method]
    hw_values: Mapping[str, ConstantName]
    block: "Callable[[Scope, Method], bool]"
    reports: Reports = field(default_factory=Reports)
    frames: list[Frame] = field(default_factory=list)
    called: set[str] = field(default_factory=set)
    is_masked: bool = False

    @property
    def frame(self) -> Frame:
        """The innermost method."""
        return self.frames[-1]

    def slot_of(self, operand: Operand) -> int:
        """The slot to read an operand of known type from."""
        if operand.value is None:
            return operand.slot
        assert operand.type is not None
        return self.emitter.constant(operand.type.kind, operand.value)

    def destination(self, wanted: Type, slot: int | None) -> int:
        """`slot` where one is given, else a new temporary."""
        return self.emitter.temporary(wanted.kind) if slot is None else slot

    def typed(self, at: Position, operand: Operand, wanted: Type) -> Operand:
        """A literal takes the wanted type (rounded, reported where not exact); others pass unchanged."""
        if operand.type is not None:
            return operand
        assert operand.value is not None
        try:
            stored = encode(operand.value, wanted.kind)
        except OutOfRangeError:
            raise self.refuse_constant(at, wanted, number_text(operand.value)) from None
        self._report_rounding(at, operand.value, stored, wanted)
        return Operand(wanted, stored)

    def _report_rounding(self, at: Position, value: Stored, stored: Stored, wanted: Type) -> None:
        if not is_exact(value, stored, wanted.kind):
            held = float(stored) / (1 << wanted.kind.fraction_bits)
            report = Rounding(f"literal in {self.source.place_in_words(at.line)}", float(value), held, "")
            if report not in self.reports.rounding:
                self.reports.rounding.append(report)

    def refuse_constant(self, at: Position, wanted: Type, found: str) -> Exception:
        """The fault of a constant outside its kind."""
        return self.source.refuse(
            at, f"a constant fits {describe(wanted)}", found, f"stay within {range_of(wanted)}"
        )


def describe(kind: Type) -> str:
    """A type as messages name it: `number (i32)`, `u16`."""
    return kind.word if kind.word == kind.kind.name else f"{kind.word} ({kind.kind.name})"


def number_text(value: Stored) -> str:
    """A number as messages name it: integers in full."""
    return str(value) if isinstance(value, int) else f"{value:g}"


def range_of(kind: Type) -> str:
    """The range of a type as messages state it."""
    if kind.kind.is_float:
        return "the finite floats"
    if not kind.kind.is_fixed:
        return f"{kind.kind.low}..{kind.kind.high}"
    scale = 1 << kind.kind.fraction_bits
    return f"{kind.kind.low / scale:.10g}..{kind.kind.high / scale:.10g}"
