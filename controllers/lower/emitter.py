"""Where instructions and slots are written down while a law is compiled."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Final

from controllers.kinds import Kind
from controllers.lower.constants import Stored
from controllers.opcodes import OPCODES
from controllers.program import SLOT_CONST, SLOT_STATIC, SLOT_TEMP

_UNPLACED: Final = -1


@dataclass(frozen=True)
class Slot:
    """One cell of the slot images."""

    kind: Kind
    slot_class: int
    initial: Stored
    name: str = ""


@dataclass
class Row:
    """One instruction; a jump holds a label number in `extra` until `assemble` resolves it."""

    op: int
    kind: int
    dst: int
    a: int
    b: int
    extra: int
    line: int


@dataclass
class Emitter:
    """Instructions, labels and slots of one Program. `line` is the source line of what is emitted next.

    Temporaries are handed out from a pool that lives as long as one handler, so that a handler which
    interrupts another never shares a register with it.
    """

    rows: list[Row] = field(default_factory=list)
    labels: list[int] = field(default_factory=list)
    slots: list[Slot] = field(default_factory=list)
    line: int = 0
    _constants: dict[tuple[Kind, str], int] = field(default_factory=dict)
    _free: dict[Kind, list[int]] = field(default_factory=dict)
    _used: dict[int, int] = field(default_factory=dict)  # temporary in use -> row from which on
    _locals: dict[tuple[str, Kind], list[int]] = field(default_factory=dict)

    def emit(self, op: int, kind: Kind, dst: int = 0, a: int = 0, b: int = 0, extra: int = 0) -> None:
        """Append one instruction."""
        self.rows.append(Row(op, kind.index, dst, a, b, extra, self.line))

    def new_label(self) -> int:
        """A label to jump to, to be placed later."""
        self.labels.append(_UNPLACED)
        return len(self.labels) - 1

    def place(self, label: int) -> None:
        """The label stands before the next instruction."""
        self.labels[label] = len(self.rows)

    def static(self, name: str, kind: Kind, initial: Stored) -> int:
        """Slot of a new static variable."""
        self.slots.append(Slot(kind, SLOT_STATIC, initial, name))
        return len(self.slots) - 1

    def row(self, name: str, kind: Kind, slot_class: int, values: Sequence[Stored]) -> int:
        """First slot of the elements of an array or a table, which stand one after the other."""
        first = len(self.slots)
        for number, value in enumerate(values):
            self.slots.append(Slot(kind, slot_class, value, f"{name}[{number}]"))
        return first

    def constant(self, kind: Kind, stored: Stored) -> int:
        """Slot of a constant, shared between its uses."""
        key = (kind, repr(stored))
        if key not in self._constants:
            self.slots.append(Slot(kind, SLOT_CONST, stored))
            self._constants[key] = len(self.slots) - 1
        return self._constants[key]

    def temporary(self, kind: Kind) -> int:
        """Slot of an intermediate result, given back by `release`."""
        free = self._free.setdefault(kind, [])
        if not free:
            self.slots.append(Slot(kind, SLOT_TEMP, 0.0 if kind.is_float else 0))
            free.append(len(self.slots) - 1)
        slot = free.pop()
        self._used[slot] = len(self.rows)
        return slot

    def local(self, name: str, kind: Kind) -> int:
        """Slot of a new local variable or argument, given back by `free`."""
        free = self._locals.setdefault((name, kind), [])
        if free:
            return free.pop()
        self.slots.append(Slot(kind, SLOT_TEMP, 0.0 if kind.is_float else 0, name))
        return len(self.slots) - 1

    def keep(self, slot: int, name: str) -> int:
        """The value of a temporary becomes the local variable `name`. Returns its slot: a new one, since the
        temporary may have served other statements, and a slot holds one variable."""
        self.slots.append(replace(self.slots[slot], name=name))
        kept = len(self.slots) - 1
        for row in self.rows[self._used[slot] :]:
            roles = zip(("dst", "a", "b"), OPCODES[row.op].shape, strict=False)
            for column in (column for column, role in roles if role == "slot"):
                if getattr(row, column) == slot:
                    setattr(row, column, kept)
        return kept

    def release(self) -> None:
        """The statement is over: its temporaries can be used again."""
        for slot in self._used:
            self._free[self.slots[slot].kind].append(slot)
        self._used.clear()

    @contextmanager
    def held(self) -> Iterator[None]:
        """Inside, `release` leaves the temporaries of the statement around it alone."""
        outer, line = self._used, self.line
        self._used = {}
        yield
        self._used, self.line = outer, line

    def free(self, slot: int) -> None:
        """A local variable is out of scope; only one of the same name takes its slot again."""
        entry = self.slots[slot]
        self._locals.setdefault((entry.name, entry.kind), []).append(slot)

    def begin_handler(self) -> int:
        """pc of the next instruction; the temporaries of other handlers are not used from here on."""
        self._free.clear()
        self._locals.clear()
        return len(self.rows)
