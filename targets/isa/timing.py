"""Timing tables: cycles of every instruction of a core, with the source, checked when they are made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, NamedTuple

Pipeline = Literal["nominal", "fastest", "slowest"]
"""Which of the timings that a manual leaves open: as far as we can tell, or the bounds."""

PIPELINES: Final[tuple[Pipeline, ...]] = ("nominal", "fastest", "slowest")


class Cycles(NamedTuple):
    """Cycles of one instruction: when control goes on behind it, when it goes elsewhere, per register moved.

    `taken` equals `next` for instructions that never jump.
    """

    next: int
    taken: int
    per_register: int = 0


def fixed(cycles: int, per_register: int = 0) -> Cycles:
    """Cycles of an instruction that takes the same time wherever control goes."""
    return Cycles(cycles, cycles, per_register)


@dataclass(frozen=True)
class TimingTable:
    """Cycles of each instruction class of one core.

    Raises ValueError where the source is empty, a class of `classes` has no row, a row no class, or a count
    is below 1 or a jump cheaper than none.
    """

    core: str
    source: str
    rows: Mapping[str, Cycles]
    classes: Iterable[str] = field(repr=False)

    def __post_init__(self) -> None:
        if not self.source.strip():
            raise ValueError(f"timing of {self.core}: the source is missing")
        missing, unknown = set(self.classes) - set(self.rows), set(self.rows) - set(self.classes)
        if missing or unknown:
            raise ValueError(
                f"timing of {self.core}: no row for {sorted(missing)}, no use for {sorted(unknown)}"
            )
        for name, row in self.rows.items():
            if not 1 <= row.next <= row.taken or row.per_register < 0:
                raise ValueError(f"timing of {self.core}: 1 <= next <= taken must hold, found {name} {row}")

    def __getitem__(self, name: str) -> Cycles:
        return self.rows[name]
