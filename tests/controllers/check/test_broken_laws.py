"""Laws that are broken on purpose: the search, which is told nothing of them, finds each with a minimal
scenario: an overflow that needs a rare period, a compare in the past at a low prescaler, a division by zero
after a stall."""

import functools
from pathlib import Path

import pytest

from controllers.check import traces
from controllers.check.bench.records import EDGES
from controllers.check.result import FAILS, HOLDS, NOT_APPLICABLE, Check, Verdict
from controllers.check.search import EXAMPLES, check
from tests.controllers.check.support import BROKEN, FEW, LAWS, MANY, subject


@functools.cache
def answer(path: Path, examples: int, prescaler: int = 64) -> Check:
    return check(subject(path, prescaler=prescaler), examples=examples)


def verdict(path: Path, name: str, examples: int = FEW, prescaler: int = 64) -> Verdict:
    return next(v for v in answer(path, examples, prescaler).verdicts if v.name == name)


@pytest.mark.parametrize("examples", [MANY, pytest.param(EXAMPLES, marks=pytest.mark.slow)])
def test_an_overflow_at_two_periods_of_65536_is_found_with_one_edge(examples: int) -> None:
    found = verdict(BROKEN / "rare_period.py", "overflow", examples)
    assert found.outcome == FAILS
    assert found.counterexample is not None
    example = found.counterexample
    overflowing = {p for p in range(1 << 16) if (p % 263) * (p % 253) >= 1 << 16}  # by hand, from the law
    ((kind, period, count, change),) = example.scenario.events
    assert (kind, count, change) == (EDGES, 1, 0)
    assert period in overflowing
    assert (example.handler, example.place) == ("on_hall_edge", "line 23")
    assert example.text == "self.dither = u16(period % 263) * u16(period % 253)"
    assert dict(example.inputs)["captured"] == period
    assert ".before = {" in example.vector


@pytest.mark.parametrize("examples", [FEW, pytest.param(EXAMPLES, marks=pytest.mark.slow)])
def test_a_compare_in_the_past_at_a_low_prescaler_is_found_with_one_edge(examples: int) -> None:
    found = verdict(BROKEN / "late_compare.py", "compare", examples, prescaler=1)
    assert found.outcome == FAILS
    assert found.counterexample is not None
    example = found.counterexample
    assert [(e[0], e[2]) for e in example.scenario.events] == [(EDGES, 1)]
    assert (example.handler, example.text) == ("on_hall_edge", "hw.set_compare(wrap_add(edge, self.LEAD))")
    assert example.state == {}


def test_the_same_law_at_a_high_prescaler_leaves_no_compare_in_the_past() -> None:
    # 30 ticks of 64 clocks are more than the two longest handlers
    assert verdict(BROKEN / "late_compare.py", "compare").outcome == HOLDS


@pytest.mark.parametrize("examples", [FEW, pytest.param(EXAMPLES, marks=pytest.mark.slow)])
def test_a_division_by_zero_after_a_stall_is_found_with_one_pause(examples: int) -> None:
    found = verdict(BROKEN / "stalled_division.py", "division", examples)
    assert found.outcome == FAILS
    assert found.counterexample is not None
    example = found.counterexample
    assert example.handler == "on_control_tick"
    assert "hw.rpm_ticks // u32(self.period)" in example.text
    assert (example.state["period"], example.state["steps_since_edge"]) == (0, 20)
    assert len(example.scenario.events) <= 2
    assert sum(event[2] for event in example.scenario.events if event[0] == EDGES) <= 2


@pytest.mark.parametrize(
    ("law", "name", "handler"),
    [
        ("wrong_sign.py", "sign", "on_control_tick"),
        ("wrong_sign.py", "standing error", "on_control_tick"),
        ("signed_timer.py", "any count", "on_hall_edge"),
    ],
)
def test_other_mistakes_are_found_by_the_property_that_is_about_them(
    law: str, name: str, handler: str
) -> None:
    found = verdict(LAWS / law, name)
    assert found.outcome == FAILS
    assert found.counterexample is not None
    assert found.counterexample.handler == handler


def test_a_state_that_switches_the_motor_off_for_good_is_found() -> None:
    """Every step is in its place; only the duty is missing."""
    found = verdict(LAWS / "stays_off.py", "recovery", 50_000)  # of which it takes 75
    assert found.outcome == FAILS
    assert found.counterexample is not None
    assert found.counterexample.handler == "on_control_tick"
    assert found.counterexample.found == "duty 0"
    assert found.counterexample.state["duty"] == 0


def test_a_state_in_which_a_motor_at_rest_is_never_started_is_found() -> None:
    """While the rotor turns, every edge sets the compare that was disturbed."""
    path = LAWS / "stays_asleep.py"
    assert verdict(path, "recovery").outcome == HOLDS
    found = verdict(path, "rest")
    assert found.outcome == FAILS
    assert found.counterexample is not None
    assert found.counterexample.found == "0"
    *events, _run_up, _turns = found.counterexample.scenario.lines()[1:]
    assert ["compare" in line for line in events if "becomes" in line] == [True]
    assert found.counterexample.handler == "on_step_timer"
    assert events[-1] == "no edge for 786,432 ticks"  # twelve ranges of the timer


@pytest.mark.parametrize("name", ["recovery", "rest"])
def test_a_state_that_keeps_the_processor_busy_for_good_is_found(name: str) -> None:
    found = verdict(LAWS / "stays_fast.py", name)
    assert found.outcome == FAILS
    assert found.counterexample is not None
    assert found.counterexample.state["state"] > 3


def test_what_cannot_be_played_to_its_end_is_not_told_as_held(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(traces, "LOG_ROWS", 1000)
    found = check(subject(LAWS / "steady.py"), examples=500)
    untried = [v for v in found.verdicts if v.name in ("recovery", "rest")]
    assert {(v.outcome, v.detail) for v in untried} == {
        (NOT_APPLICABLE, "no scenario came to its end on the bench")
    }


def test_a_turn_that_wraps_the_timer_must_not_pass_for_a_short_one() -> None:
    found = verdict(BROKEN / "rare_period.py", "slow turn", MANY)
    assert found.outcome == FAILS


def test_arithmetic_that_loses_more_than_its_format_is_far_from_f64() -> None:
    found = verdict(LAWS / "coarse.py", "exact")
    assert found.outcome == FAILS
    assert found.counterexample is not None
    assert found.counterexample.expected.endswith("duty within 2.0% of full duty of f64")


def test_a_law_without_a_known_mistake_passes_in_every_property() -> None:
    found = answer(LAWS / "steady.py", FEW)
    assert [(v.name, v.outcome) for v in found.verdicts if v.outcome == FAILS] == []
    assert found.holds
    assert found.examples >= FEW


def test_branches_that_were_not_reached_are_named() -> None:
    found = answer(LAWS / "steady.py", FEW)
    assert found.branches > len(found.unreached) > 0
    places = {(way.place, way.text) for way in found.unreached}
    # the next step is due 8000 ticks of 64 clocks ahead: no handler takes that long
    assert ("line 72", "if wrap_sub(due, soonest) > hw.timer_top >> 1:") in places


def test_the_same_seed_gives_the_same_answer() -> None:
    path = BROKEN / "late_compare.py"
    first, again = (check(subject(path, prescaler=1), seed=3, examples=500).as_dict() for _ in range(2))
    assert again == first
