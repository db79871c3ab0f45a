"""What a handler is made of in C: statements, and blocks that end in a branch, a jump or a return."""

from dataclasses import dataclass, field

from controllers.c.conditions import Condition, reads_of
from controllers.c.text import Key, Value


@dataclass(frozen=True)
class Assign:
    """`target = value;` of a static variable, an element or a local variable (`web` is its number, `type` its
    C type where it is declared here)."""

    target: str
    value: Value
    line: int
    web: int | None = None
    index: Value | None = None
    type: str = ""

    @property
    def text(self) -> str:
        return f"{self.type} {self.target} = {self.value.text};".lstrip()

    @property
    def reads(self) -> frozenset[Key]:
        return self.value.reads | (self.index.reads if self.index else frozenset())


@dataclass(frozen=True)
class Output:
    """`function(value);`"""

    function: str
    value: Value
    line: int

    @property
    def text(self) -> str:
        return f"{self.function}({self.value.text});"

    @property
    def reads(self) -> frozenset[Key]:
        return self.value.reads


Statement = Assign | Output


@dataclass
class Block:
    """Statements, then: to `taken` where `condition` holds, else to `after`; without a condition to `after`;
    None is the end of the handler, `is_return` where the law says `return` there. Blocks are named by the pc
    of their first instruction."""

    first: int
    statements: list[Statement] = field(default_factory=list)
    line: int = 0
    condition: Condition | None = None
    taken: int | None = None
    after: int | None = None
    is_return: bool = False

    @property
    def targets(self) -> list[int]:
        """Blocks that control may go to."""
        ends = [self.taken, self.after] if self.condition else [self.after]
        return [end for end in ends if end is not None]

    @property
    def is_end(self) -> bool:
        """Whether the block does nothing but end the handler."""
        return not self.statements and self.condition is None and self.after is None


@dataclass
class If:
    """`if (condition) { then } else { otherwise }`."""

    condition: Condition
    line: int
    then: "list[Item]"
    otherwise: "list[Item]"

    @property
    def reads(self) -> frozenset[Key]:
        return reads_of(self.condition)


@dataclass(frozen=True)
class Jump:
    """`goto label;`, or `return;` where there is no label."""

    label: str | None

    @property
    def text(self) -> str:
        return f"goto {self.label};" if self.label else "return;"


@dataclass(frozen=True)
class Label:
    """`label:;`"""

    label: str


@dataclass(frozen=True)
class Declaration:
    """`type name;` of a local variable that is first assigned in several places."""

    type: str
    name: str

    @property
    def text(self) -> str:
        return f"{self.type} {self.name};"


Item = Statement | If | Jump | Label | Declaration
