"""Choices, the order in which hypothesis reads them, and what it makes of them."""

import pytest

from controllers.check.bench.records import EDGES
from controllers.check.draw import Drawer, constants
from controllers.check.properties import RELATION_PROPERTIES, Relation
from controllers.check.scenario import Scenario
from controllers.check.shrink import smallest
from controllers.check.space import Choices, free_space
from tests.controllers.check.support import BROKEN, LAWS, subject

SUBJECT = subject(LAWS / "steady.py")
SPACE = free_space(SUBJECT.program, SUBJECT.hardware)


@pytest.mark.parametrize("seed", range(12))
def test_what_the_volume_draws_is_what_hypothesis_begins_with(seed: int) -> None:
    drawer = Drawer(SPACE, seed)
    first = drawer.draw()
    seen: list[Scenario] = []

    def note(scenario: Scenario) -> bool:
        seen.append(scenario)
        return scenario == SPACE.scenario(first)

    assert smallest(SPACE, note, first, 1) == SPACE.scenario(first)
    assert SPACE.scenario(first) in seen


@pytest.mark.parametrize("row", RELATION_PROPERTIES, ids=lambda row: row.name)
def test_drawn_choices_stay_within_the_bounds(row: Relation) -> None:
    space = row.space(SUBJECT)
    drawer = Drawer(space, 4)
    for _ in range(300):
        choices = drawer.draw()
        _assert_within(choices, space.most_start, len(space.kinds), space.most_events)
        drawer.keep(choices)
        assert all(wait >= 0 and 0 <= kind <= 5 for kind, wait, _, _ in space.scenario(choices).events)


def _assert_within(choices: Choices, most_start: int, kinds: int, most_events: int) -> None:
    start, command, rows = choices
    assert 0 <= start <= most_start
    assert 0 <= command <= 65535
    assert len(rows) <= most_events
    for kind, ticks, count, change in rows:
        assert 0 <= kind < kinds
        assert SPACE.shortest_ticks <= ticks
        assert 0 <= count <= 65535
        assert -(1 << 31) <= change < 1 << 32


def test_a_failure_shrinks_to_one_event_and_its_edge_value() -> None:
    def long_gap(scenario: Scenario) -> bool:
        return any(kind == EDGES and wait > 4321 for kind, wait, _, _ in scenario.events)

    first: Choices = (77, 500, ((0, 60, 1, 0), (2, 9, 0, 0), (0, 50_000, 20, -40), (1, 5, 0, 0)))
    found = smallest(SPACE, long_gap, first, 1)
    assert found == Scenario(events=((EDGES, 4322, 1, 0),))


def test_a_run_of_edges_is_taken_apart() -> None:
    def one_gap(scenario: Scenario) -> bool:
        gaps = [
            w + n * bend for kind, w, count, bend in scenario.events if kind == EDGES for n in range(count)
        ]
        return 20_017 in gaps

    found = smallest(SPACE, one_gap, (0, 0, ((0, 20_000, 30, 17),)), 1)
    assert found == Scenario(events=((EDGES, 20_017, 1, 0),))


def test_nothing_is_found_where_nothing_fails() -> None:
    assert smallest(SPACE, lambda _: False, None, 1) is None


def test_constants_come_with_their_neighbours_and_as_periods() -> None:
    broken = subject(BROKEN / "late_compare.py")
    found = constants(broken.program)
    assert {29, 30, 31, 400, 2400} <= set(found)  # the lead, the shortest step and the turn of six of them
