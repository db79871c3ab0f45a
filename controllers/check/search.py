"""The search: every property on scenarios in volume, what fails shrunk by hypothesis, branches counted."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from controllers.bounds import find_bounds
from controllers.check.bench.records import FINDINGS
from controllers.check.draw import Drawer
from controllers.check.explain import explain_call, explain_finding
from controllers.check.properties import FINDING_PROPERTIES, RELATION_PROPERTIES, Finding, Relation
from controllers.check.relations import UntriedError, Wrong
from controllers.check.result import FAILS, HOLDS, NOT_APPLICABLE, Check, Counterexample, Unreached, Verdict
from controllers.check.scenario import Scenario
from controllers.check.shrink import OWN_EXAMPLES, smallest
from controllers.check.space import Choices, Space, free_space
from controllers.check.subject import Subject
from controllers.program import HANDLERS

EXAMPLES: Final = 100_000
"""Scenarios of the volume: a branch that none of them reaches is named."""
_VOLUME_CALLS: Final = 600
"""Handlers after which a scenario of the volume is cut short: more scenarios find more than longer ones."""
_MEASURED: Final = 50
_TOLD_EVERY: Final = 1_000
_MORE_EXTREMES: Final = 2_000
"""Scenarios after which a slot that goes beyond its former range is no reason to keep one any more."""


@dataclass
class _Volume:
    """What playing scenarios in volume found: for each row of FINDINGS the simplest failing choices, and the
    first that took longer than a handler's bound."""

    failing: dict[str, Choices] = field(default_factory=dict)
    slowest: Choices | None = None
    worst_cycles: Any = None


def check(
    subject: Subject, seed: int = 1, examples: int = EXAMPLES, tell: Callable[[str], None] = lambda _: None
) -> Check:
    """Judge every property of a law.

    Args:
        subject: the law with its surroundings.
        seed: the same seed gives the same answer.
        examples: scenarios of the volume; the properties that need several plays take a share in proportion.
        tell: is told in a few words what is under way.
    """
    space = free_space(subject.program, subject.hardware)
    volume = _play_volume(subject, space, seed, examples, tell)
    verdicts = []
    for row in FINDING_PROPERTIES:
        tell(row.says)
        verdicts.append(_judged_finding(subject, space, row, volume, seed, examples))
    verdicts.append(_judged_cycles(subject, space, volume, seed, examples))
    part = examples / EXAMPLES
    for relation in RELATION_PROPERTIES:
        tell(relation.says)
        verdicts.append(_judged_relation(subject, relation, seed, max(10, round(relation.examples * part))))
    bench = subject.bench
    return Check(
        law=subject.program.name,
        arithmetic=subject.program.arithmetic,
        verdicts=tuple(verdicts),
        branches=len(bench.marks.sides),
        unreached=_unreached(subject),
        examples=bench.plays,
        calls=bench.calls,
    )


def _play_volume(
    subject: Subject, space: Space, seed: int, examples: int, tell: Callable[[str], None]
) -> _Volume:
    """Draw and play; scenarios that reach a new branch, or push a slot beyond its former range, are varied
    further."""
    bench, drawer, volume = subject.bench, Drawer(space, seed), _Volume()
    bounds = np.array([subject.linked.worst_case_cycles.get(name, 0) for name in HANDLERS])
    low, high = subject.program.ints.copy(), subject.program.ints.copy()
    worst = np.zeros(len(HANDLERS), dtype=np.int64)
    covered = 0
    for number in range(examples):
        if number % _TOLD_EVERY == 0:
            tell(f"{number:,} of {examples:,} sequences of events")
        choices = drawer.draw()
        outcome = bench.play(space.scenario(choices), most_calls=_VOLUME_CALLS)
        reached = int(bench.covered.sum())
        is_new = reached > covered
        if is_new or number < _MORE_EXTREMES:
            is_new |= bool((outcome.ints < low).any() or (outcome.ints > high).any())
            np.minimum(low, outcome.ints, out=low)
            np.maximum(high, outcome.ints, out=high)
        if is_new:
            covered = reached
            drawer.keep(choices)
        state = outcome.state
        if state["found"].any():
            _note_failures(volume, state["found"], choices)
        np.maximum(worst, state["worst_cycles"], out=worst)
        if volume.slowest is None and (state["worst_cycles"] > bounds).any():
            volume.slowest = choices
    volume.worst_cycles = worst
    return volume


def _note_failures(volume: _Volume, found: Any, choices: Choices) -> None:
    """Keep the simplest choices of every finding: shrinking starts nearer its end."""
    for row in np.flatnonzero(found):
        name = FINDINGS[row]
        if name not in volume.failing or _size(choices) < _size(volume.failing[name]):
            volume.failing[name] = choices


def _size(choices: Choices) -> tuple[int, int]:
    return sum(1 + row[2] * (row[0] == 0) for row in choices[2]), len(choices[2])


def _judged_finding(
    subject: Subject, space: Space, row: Finding, volume: _Volume, seed: int, examples: int
) -> Verdict:
    """Verdict on a property that one play shows."""
    bench = subject.bench
    first = volume.failing.get(row.finding)
    scenario = smallest(space, lambda s: bench.play(s).found(row.finding) > 0, first, seed)
    if scenario is None:
        return Verdict(row.name, row.says, HOLDS, examples)
    example = explain_finding(bench, scenario, row.finding, row.says)
    return Verdict(row.name, row.says, FAILS, examples, "", example)


def _judged_cycles(subject: Subject, space: Space, volume: _Volume, seed: int, examples: int) -> Verdict:
    """Verdict on the bound of the handlers' cycles."""
    says = "no handler takes longer than its bound"
    bounds = [subject.linked.worst_case_cycles.get(name, 0) for name in HANDLERS]
    rows = zip(HANDLERS, volume.worst_cycles, bounds, strict=True)
    parts = [f"{name} {cycles:,} of {bound:,}" for name, cycles, bound in rows if cycles]
    detail = f"clocks at most: {', '.join(parts)}"
    if volume.slowest is None:
        return Verdict("cycles", says, HOLDS, examples, detail)
    over = np.array(bounds)
    scenario = smallest(
        space,
        lambda s: bool((subject.bench.play(s).state["worst_cycles"] > over).any()),
        volume.slowest,
        seed,
    )
    assert scenario is not None
    worst = subject.bench.play(scenario).state["worst_cycles"]
    handler = int((worst - over).argmax())
    calls = int(subject.bench.play(scenario).state["calls"])
    example = explain_call(subject.bench, scenario, calls - 1, subject.program.handlers[HANDLERS[handler]],
                           f"{bounds[handler]:,} clocks", f"{int(worst[handler]):,} clocks")  # fmt: skip
    return Verdict("cycles", says, FAILS, examples, detail, example)


def _judged_relation(subject: Subject, row: Relation, seed: int, examples: int) -> Verdict:
    """Verdict on a property that takes several plays."""
    if reason := row.applies(subject):
        return Verdict(row.name, row.says, NOT_APPLICABLE, 0, reason)
    space = row.space(subject)
    drawer = Drawer(space, seed)

    untried = 0

    def judged(scenario: Scenario) -> Wrong | None:
        nonlocal untried
        try:
            return row.judge(subject, scenario)
        except UntriedError:
            untried += 1
            return None

    first = next((c for c in (drawer.draw() for _ in range(examples)) if judged(space.scenario(c))), None)
    if untried == examples:
        return Verdict(row.name, row.says, NOT_APPLICABLE, 0, "no scenario came to its end on the bench")
    detail = f"{untried:,} of {examples:,} scenarios came to no end on the bench" if untried else ""
    own = min(OWN_EXAMPLES, examples)
    scenario = smallest(space, lambda s: judged(s) is not None, first, seed, own)
    if scenario is None:
        return Verdict(
            row.name, row.says, HOLDS, examples - untried, detail or _measured(subject, row, space, seed)
        )
    wrong = judged(scenario)
    assert wrong is not None
    return Verdict(row.name, row.says, FAILS, examples, "", _explained(subject, row, scenario, wrong))


def _explained(subject: Subject, row: Relation, scenario: Scenario, wrong: Wrong) -> Counterexample:
    bench = subject.bench if row.is_timed else subject.instant
    return explain_call(bench, scenario, wrong.call, wrong.pc, wrong.expected, wrong.found)


def _measured(subject: Subject, row: Relation, space: Space, seed: int) -> str:
    """The figure that a property which holds has to show."""
    if row.measure is None:
        return ""
    drawer = Drawer(space, seed)
    return row.measure(subject, [space.scenario(drawer.draw()) for _ in range(_MEASURED)])


def _unreached(subject: Subject) -> tuple[Unreached, ...]:
    """Ways out of branches that no example took; a branch that was never reached has both."""
    program, bench = subject.program, subject.bench
    if bench.covered.all():
        return ()
    dead = set(find_bounds(program).unreached)
    ways = []
    for side, covered in zip(bench.marks.sides, bench.covered, strict=True):
        if not covered:
            leads_to = "" if side.to_line == side.line else program.place(side.to_line)
            is_dead = program.place(side.line) in dead or program.place(side.to_line) in dead
            text = program.source[side.line - 1].strip()
            ways.append(Unreached(program.place(side.line), text, leads_to, is_dead))
    return tuple(ways)
