"""Every idea of a builder tried on a design: what each one gives, the best first."""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sim.design import Design, Variant
from sim.studies.compare import Row, row_of, rows_of
from sim.studies.ideas import Idea, LeftOut, ideas, left_out
from sim.studies.limits import NOTICEABLE


@dataclass(frozen=True)
class Tried:
    """An idea, the changed design simulated, and what it gains over the design as it is [rpm]; no gain where
    it cannot be run."""

    idea: Idea
    row: Row
    settled_gain_rpm: float | None
    top_gain_rpm: float | None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for scripts: those of the row, what the idea is, and what it gains."""
        idea = asdict(self.idea)
        del idea["variant"]
        gains = {"settled_gain_rpm": self.settled_gain_rpm, "top_gain_rpm": self.top_gain_rpm}
        return {**asdict(self.row), **idea, **gains}


@dataclass(frozen=True)
class TriedIdeas:
    """`base`: the design as it is. `tried`: the ideas, the best first: those that meet the requirement,
    then by the gain in settled speed, in steps of one part in a hundred, then by the gain in top speed.
    `left_out`: those that do not apply."""

    design: Design
    base: Row
    tried: tuple[Tried, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def any_met(self) -> bool:
        """Whether the design or one of the changed ones meets the requirement."""
        return self.base.met or any(tried.row.met for tried in self.tried)

    def as_dict(self) -> dict[str, Any]:
        """The answer for scripts."""
        return {
            "rows": [tried.as_dict() for tried in self.tried],
            "base": asdict(self.base),
            "left_out": [asdict(row) for row in self.left_out],
        }


def try_ideas(design: Design, tell: Callable[[str], None] = lambda _: None) -> TriedIdeas:
    """Simulate a design with each idea that applies to it, at the sizes of `ideas.TYPICAL`; `tell` is told in
    a few words what is under way.

    Raises:
        InputError: the design itself cannot be run.
    """
    base = row_of(design, {}, Variant("as it is"), refuse=True)
    applying = ideas(design)
    rows = rows_of(design, [idea.variant for idea in applying], {}, tell)
    return TriedIdeas(design, base, _ranked(base, applying, rows), tuple(left_out(design)))


def _ranked(base: Row, applying: Sequence[Idea], rows: Sequence[Row]) -> tuple[Tried, ...]:
    """The ideas with their gains, in order; what cannot be run stands last."""

    def gain(changed: float | None, before: float | None) -> float | None:
        return None if changed is None or before is None else changed - before

    def rank(tried: Tried) -> tuple[bool, float, float]:
        if tried.settled_gain_rpm is None or tried.top_gain_rpm is None:
            return True, float("inf"), 0.0
        step_rpm = NOTICEABLE * max(abs(base.settled_rpm or 0.0), 1.0)
        return not tried.row.met, -float(round(tried.settled_gain_rpm / step_rpm)), -tried.top_gain_rpm

    listed = [
        Tried(idea, row, gain(row.settled_rpm, base.settled_rpm), gain(row.top_rpm, base.top_rpm))
        for idea, row in zip(applying, rows, strict=True)
    ]
    return tuple(sorted(listed, key=rank))
