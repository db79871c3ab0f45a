"""The description of a law: what the parser hands to the compiler. Types and units are not resolved here."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

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
class Recast:
    """`sat(kind, operand)` or `wrap(kind, operand)`: a conversion whose change of value is meant."""

    at: Position
    function: str
    kind: Kindred
    operand: "Expression"


@dataclass(frozen=True)
class Element:
    """`self.name[index]`: element of an array or a table."""

    at: Position
    name: str
    index: "Expression"


@dataclass(frozen=True)
class Length:
    """`len(self.name)`: number of elements of an array or a table."""

    at: Position
    name: str


@dataclass(frozen=True)
class Call:
    """One of the functions of the dialect, `expressions.FUNCTION_ARITY`."""

    at: Position
    function: str
    operands: tuple["Expression", ...]


@dataclass(frozen=True)
class Read:
    """`hw.port()`, or the design constant `hw.name` where `is_constant`."""

    at: Position
    name: str
    is_constant: bool


@dataclass(frozen=True)
class Invoke:
    """`self.helper(...)`, as a statement or as a value."""

    at: Position
    method: str
    operands: tuple["Expression", ...]


Expression: TypeAlias = (
    Literal | Name | Member | Negative | Binary | Convert | Recast | Element | Length | Call | Read | Invoke
)


def has_invoke(node: Expression) -> bool:
    """Whether evaluating the expression calls a helper, which may change variables."""
    return any(isinstance(part, Invoke) for part in _parts(node))


def has_call(node: Expression) -> bool:
    """Whether evaluating the expression twice differs from once: it calls a helper or reads a port."""
    return any(isinstance(part, Invoke) or (isinstance(part, Read) and not part.is_constant)
               for part in _parts(node))  # fmt: skip


def _parts(node: Expression) -> Iterator[Expression]:
    """The expression and everything in it."""
    yield node
    parts = [getattr(node, name) for name in ("operand", "left", "right", "index") if hasattr(node, name)]
    for part in (*parts, *getattr(node, "operands", ())):
        yield from _parts(part)


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
    target: Name | Member | Element
    value: Expression


@dataclass(frozen=True)
class Write:
    """`hw.port(value)`."""

    at: Position
    port: str
    value: Expression


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
class Guard:
    """`with hw.masked():`: no interrupt is taken inside."""

    at: Position
    body: tuple["Statement", ...]


@dataclass(frozen=True)
class Return:
    """End of the method, with its value where it has one."""

    at: Position
    value: Expression | None


Statement: TypeAlias = Assign | Write | Invoke | If | Loop | Guard | Return


def assigned_names(block: tuple[Statement, ...]) -> set[str]:
    """Local names that statements assign to, at any depth."""
    names: set[str] = set()
    for node in block:
        if isinstance(node, Assign) and isinstance(node.target, Name):
            names.add(node.target.name)
        for part in ("then", "otherwise", "body"):
            names |= assigned_names(getattr(node, part, ()))
    return names


@dataclass(frozen=True)
class Parameter:
    """`name = param(kind, "key", default, low=, high=, about=, times=, fitted=)`, in the key's unit."""

    at: Position
    name: str
    kind: Kindred
    key: str
    default: float
    low: float
    high: float
    about: str
    times: float
    fitted: bool


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


@dataclass(frozen=True)
class Array:
    """`name = array(kind, length, initial)`: static variables in a row."""

    at: Position
    name: str
    kind: Kindred
    length: int
    initial: int | float


@dataclass(frozen=True)
class Table:
    """`NAME = table(kind, (value, ...))`: constants in a row."""

    at: Position
    name: str
    kind: Kindred
    values: tuple[int | float, ...]


SENSORS: Final = "SENSORS"
"""Name of the constant by which a law says how many Hall sensors it needs."""

Declaration: TypeAlias = Parameter | Variable | Constant | Array | Table


@dataclass(frozen=True)
class Argument:
    """One argument of a helper, with its kind."""

    at: Position
    name: str
    kind: Kindred


@dataclass(frozen=True)
class Method:
    """A handler or a helper; only a helper has arguments and a result."""

    at: Position
    name: str
    arguments: tuple[Argument, ...]
    result: Kindred | None
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

    @property
    def sensors(self) -> int:
        """Hall sensors it is written for: its constant SENSORS, 1 where it has none."""
        declared = self.declarations.get(SENSORS)
        return int(declared.value) if isinstance(declared, Constant) else 1
