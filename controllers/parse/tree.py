"""The description of a law: what the parser hands to the compiler. Types and units are not resolved here."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

from controllers.parse.source import Position, Source


@dataclass(frozen=True)
class Literal:
    """A number written in the text."""

    at: Position
    value: int | float


@dataclass(frozen=True)
class Name:
    """A local variable or loop counter."""

    at: Position
    name: str


@dataclass(frozen=True)
class Member:
    """`self.name`: static variable, parameter or constant."""

    at: Position
    name: str


@dataclass(frozen=True)
class Negative:
    """Unary minus."""

    at: Position
    operand: "Expression"


@dataclass(frozen=True)
class Binary:
    """Two operands and one of `+ - * / // % & | ^ << >>`."""

    at: Position
    operator: str
    left: "Expression"
    right: "Expression"


@dataclass(frozen=True)
class Kindred:
    """A kind as written: a word such as `u16`, or `q(m, n)`."""

    at: Position
    word: str
    widths: tuple[int, ...] = ()


@dataclass(frozen=True)
class Convert:
    """`kind(operand)`."""

    at: Position
    kind: Kindred
    operand: "Expression"


@dataclass(frozen=True)
class Call:
    """One of the functions of the dialect: min, max, abs, wrap_add, wrap_sub, scale."""

    at: Position
    function: str
    operands: tuple["Expression", ...]


@dataclass(frozen=True)
class Read:
    """`hw.port()`, or the design constant `hw.name` where `is_constant`."""

    at: Position
    name: str
    is_constant: bool


Expression: TypeAlias = Literal | Name | Member | Negative | Binary | Convert | Call | Read


@dataclass(frozen=True)
class Compare:
    """Two operands and one of `< <= > >= == !=`."""

    at: Position
    operator: str
    left: Expression
    right: Expression


@dataclass(frozen=True)
class Junction:
    """`and` or `or` of two or more conditions, short-circuit."""

    at: Position
    is_and: bool
    parts: tuple["Condition", ...]


@dataclass(frozen=True)
class Not:
    """Negated condition."""

    at: Position
    part: "Condition"


Condition: TypeAlias = Compare | Junction | Not


@dataclass(frozen=True)
class Assign:
    """Assignment; augmented assignment comes as the operation written out."""

    at: Position
    target: Name | Member
    value: Expression


@dataclass(frozen=True)
class Write:
    """`hw.port(value)`."""

    at: Position
    port: str
    value: Expression


@dataclass(frozen=True)
class Invoke:
    """`self.helper()`."""

    at: Position
    method: str


@dataclass(frozen=True)
class If:
    """Condition and the two blocks."""

    at: Position
    condition: Condition
    then: tuple["Statement", ...]
    otherwise: tuple["Statement", ...]


@dataclass(frozen=True)
class Loop:
    """`for counter in range(...)`: one or two bounds."""

    at: Position
    counter: str
    bounds: tuple[Expression, ...]
    body: tuple["Statement", ...]


@dataclass(frozen=True)
class Return:
    """End of the method."""

    at: Position


Statement: TypeAlias = Assign | Write | Invoke | If | Loop | Return


@dataclass(frozen=True)
class Parameter:
    """`name = param(kind, "key", default, low=, high=, about=, times=)`, in the key's unit."""

    at: Position
    name: str
    kind: Kindred
    key: str
    default: float
    low: float
    high: float
    about: str
    times: float


@dataclass(frozen=True)
class Variable:
    """`name = var(kind, initial)`."""

    at: Position
    name: str
    kind: Kindred
    initial: int | float


@dataclass(frozen=True)
class Constant:
    """`NAME = const(kind, value)`."""

    at: Position
    name: str
    kind: Kindred
    value: int | float


Declaration: TypeAlias = Parameter | Variable | Constant


@dataclass(frozen=True)
class Method:
    """A handler or a helper."""

    at: Position
    name: str
    body: tuple[Statement, ...]


@dataclass(frozen=True)
class Law:
    """A whole law file. `name` is the file's, `summary` the first line of the class's docstring."""

    at: Position
    name: str
    class_name: str
    summary: str
    declarations: Mapping[str, Declaration]
    methods: Mapping[str, Method]
    source: Source
