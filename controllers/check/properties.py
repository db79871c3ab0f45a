"""The properties, one row each: what it says, where it applies, what it is tried on, how it is judged."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from controllers.check import control, recovery, relations
from controllers.check.bench.records import FINDINGS
from controllers.check.relations import Wrong
from controllers.check.scenario import Scenario
from controllers.check.space import Space
from controllers.check.subject import HALL, STEP, Subject
from controllers.opcodes import AND, IN
from controllers.ports import IN_CAPTURED, IN_COMMAND_RPM, IN_HALL, IN_TIMER
from controllers.program import Program, reads

Reason = str
"""Why a property does not apply; "" where it does."""


def always(subject: Subject) -> Reason:
    """Every law."""
    del subject
    return ""


def _reads_hall_code(program: Program) -> bool:
    """Whether more than one bit of the Hall level is used: the code of several sensors."""
    code = program.code.tolist()
    levels = {row[2] for row in code if row[0] == IN and row[5] == IN_HALL}
    masked = [row for row in code if row[0] == AND and levels & {row[3], row[4]}]
    return any(int(program.ints[slot]) > 1 for row in masked for slot in row[3:5] if slot not in levels)


def times_edges(subject: Subject) -> Reason:
    """Laws that read when the Hall edge of one sensor came."""
    if _reads_hall_code(subject.program):
        return "several Hall sensors are read, the bench has one"
    if HALL in subject.program.handlers and reads(subject.program, IN_CAPTURED):
        return ""
    return "no Hall edge is timed"


def reads_timer(subject: Subject) -> Reason:
    """Laws that read a count of the timer."""
    program = subject.program
    return "" if reads(program, IN_TIMER) or reads(program, IN_CAPTURED) else "no count of the timer is read"


def controls_speed(subject: Subject) -> Reason:
    """Laws that time the Hall edge and read the command."""
    if reason := times_edges(subject):
        return reason
    return "" if reads(subject.program, IN_COMMAND_RPM) else "no command is read"


def steps_by_edges(subject: Subject) -> Reason:
    """Laws that time the Hall edge and step by the timer."""
    if reason := times_edges(subject):
        return reason
    return "" if STEP in subject.program.handlers else "no step timer is used"


def has_exact_form(subject: Subject) -> Reason:
    """Laws in another arithmetic than f64 that also compile in f64."""
    if subject.program.arithmetic == "f64":
        return "the arithmetic is f64 itself"
    return "" if subject.exact is not None else "the law does not compile in f64"


@dataclass(frozen=True)
class Finding:
    """A property that one play shows: none of `finding` (a row of FINDINGS) in any scenario."""

    name: str
    says: str
    finding: str


@dataclass(frozen=True)
class Relation:
    """A property that takes more than one play to judge. examples: how many scenarios are tried. measure: a
    figure to show where it holds. is_timed: the handlers take their time while it is judged."""

    name: str
    says: str
    applies: Callable[[Subject], Reason]
    space: Callable[[Subject], Space]
    judge: Callable[[Subject, Scenario], Wrong | None]
    examples: int
    measure: Callable[[Subject, list[Scenario]], str] | None = None
    is_timed: bool = True


FINDING_PROPERTIES: Final = (
    Finding("overflow", "no result wraps that is not meant to", "overflow"),
    Finding("division", "nothing is divided by zero", "division by zero"),
    Finding("conversion", "every converted value fits its kind", "conversion out of range"),
    Finding("index", "every index is an element of its array", "index out of range"),
    Finding("compare", "no handler leaves a compare in the past", "compare in the past"),
    Finding("output", "steps are 0..6, duties 0..duty_top", "output out of range"),
)

RELATION_PROPERTIES: Final = (
    Relation("any count", "the timer's count at reset changes nothing", reads_timer,
             relations.any_events, relations.judge_any_count, 800),
    Relation("slow turn", "a turn longer than the timer counts is not taken for a short one", steps_by_edges,
             relations.slow_turns, relations.judge_slow_turns, 800),
    Relation("recovery", "upset in any variable while it turns, it is back in 4,000 turns", steps_by_edges,
             recovery.poked_states, recovery.judge_recovery, 400),
    Relation("rest", "upset in any variable while it rests, it starts as if it were not", steps_by_edges,
             recovery.poked_rests, recovery.judge_rest, 150),
    Relation("sign", "above the command there is less duty or less lead than below it", controls_speed,
             control.steady_speeds, control.judge_sign, 200),
    Relation("standing error", "speed error and swing are within 2 % and 5 % beyond 3 counts of the format",
             controls_speed, control.driven_rotor, control.judge_error, 80),
    Relation("exact", "steps within 1 % of a turn and 6 ticks, duties within 2 % of full, of f64",
             has_exact_form, control.smooth_turns, control.judge_distance, 300,
             measure=control.largest_distance, is_timed=False),
)  # fmt: skip


def _check_table() -> None:
    if tuple(row.finding for row in FINDING_PROPERTIES) != FINDINGS:
        raise AssertionError("every finding of the bench must be a property")
    names = [row.name for row in (*FINDING_PROPERTIES, *RELATION_PROPERTIES)]
    if len(set(names)) != len(names):
        raise AssertionError("two properties have the same name")


_check_table()
