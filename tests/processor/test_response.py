"""Response times: published answers, by formula and by the processor model with the same costs and periods.

Sources as in each row. The model has three interrupts and the main loop; entry, exit and everything but the
work cost nothing there, so a task of C units is a handler of SCALE * C cycles.
"""

from itertools import product
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from controllers.opcodes import MUL
from sim.processor.records import CONTROL_TICK, HALL_EDGE, MAIN_LOOP, STEP_TIMER
from sim.processor.response import Task, one_level_response_time, response_time
from tests.processor.harness import WORK, Outcome, Rotor, compile_text, law, run

LIMIT = 10_000
SCALE = 10
"""Cycles of a unit of time."""
LEVELS = (STEP_TIMER, HALL_EDGE, CONTROL_TICK, MAIN_LOOP)
"""The first task of a set is the step timer, and so on down."""


class Published(NamedTuple):
    """A task set from the highest to the lowest priority, and its worst response times."""

    source: str
    tasks: tuple[Task, ...]
    responses: tuple[int, ...]


PUBLISHED = (
    # Costs and periods published, the answers by hand from the formula.
    Published(
        "Hogeschool Rotterdam, ROS01, answers of week 6",
        (Task(50, 100), Task(20, 200), Task(45, 280), Task(40, 300)),
        (50, 70, 165, 275),
    ),
    # Answers and two costs published; the periods and the third cost from memory.
    Published(
        "Laplante, Real-Time Systems Design and Analysis, 7.2.6",
        (Task(3, 9), Task(4, 12), Task(2, 18)),
        (3, 7, 9),
    ),
    # From memory, as are the next four; iterates 5, 11, 14, 17, 20.
    Published(
        "Burns and Wellings, Real-Time Systems and Programming Languages, fixed priorities",
        (Task(3, 7), Task(3, 12), Task(5, 20)),
        (3, 6, 20),
    ),
    Published("same, no time left over", (Task(5, 20), Task(10, 40), Task(40, 80)), (5, 15, 80)),
    Published("same, the last misses its period", (Task(10, 30), Task(10, 40), Task(12, 50)), (10, 20, 52)),
    Published(
        "Buttazzo, Hard Real-Time Computing Systems, deadline monotonic",
        (Task(1, 4), Task(1, 5), Task(2, 6), Task(1, 11)),
        (1, 2, 4, 10),
    ),
    Published(
        "Sha and Goodenough, Computer 23(4), 1990",
        (Task(20, 100), Task(40, 150), Task(100, 350)),
        (20, 60, 240),
    ),
    Published("same, the first one longer", (Task(40, 100), Task(40, 150), Task(100, 350)), (40, 80, 300)),
)
SETS = pytest.mark.parametrize("published", PUBLISHED, ids=lambda published: published.source)


@SETS
def test_the_formula_gives_the_published_answers(published: Published) -> None:
    found = [
        response_time(task.cycles, published.tasks[:place], 0, LIMIT)
        for place, task in enumerate(published.tasks)
    ]
    assert found == list(published.responses)


def _law(step_period: int, first_match: int, has_main_loop: bool) -> str:
    """Each handler works once; that of the step first sets its next match, which may come while it works."""
    bodies = {
        "on_start": f"self.seen = {first_match}\nhw.set_compare({first_match})",
        "on_step_timer": f"self.seen = wrap_add(self.seen, {step_period})\nhw.set_compare(self.seen)\n{WORK}",
        "on_hall_edge": WORK,
        "on_control_tick": WORK,
    }
    return law(**bodies, **({"main_loop": WORK} if has_main_loop else {}))


def _model(folder: Path, tasks: tuple[Task, ...], together: int, end_cycle: int, structure: str,
           late: tuple[int, int] = (0, 0)) -> Outcome:  # fmt: skip
    """Run handlers of these costs and periods, in cycles; their events fall together at a cycle, but for
    those of step timer and Hall sensor, which come `late` cycles later.
    """
    step, hall, tick = tasks[:3]
    text = _law(step.period, together + late[0], len(tasks) > 3)
    program = compile_text(folder, text)
    cost = np.zeros(len(program.code), np.int64)
    names = ("on_step_timer", "on_hall_edge", "on_control_tick", "main_loop")
    for name, task in zip(names, tasks, strict=False):
        first = program.handlers[name]
        cost[first + int(np.argmax(program.code[first:, 0] == MUL))] = task.cycles
    if len(tasks) > 3:
        cost[program.handlers["main_loop"]] -= 1  # the jump back is the other cycle
    assert together % tick.period == 0
    edge = (together + late[1] - 0.5) % hall.period
    return run(
        folder, text, end_cycle, Rotor(edge, float(hall.period)), cost, structure=structure,
        entry_cycles=0, exit_cycles=0, loop_cycles=1, control_cycles=tick.period,
    )  # fmt: skip


@SETS
def test_the_nested_levels_give_the_published_answers(tmp_path: Path, published: Published) -> None:
    tasks = tuple(Task(SCALE * task.cycles, SCALE * task.period) for task in published.tasks)
    together = tasks[2].period
    # As far as a handler is done before its next event nothing is lost: a hundred periods; else one run.
    meets = all(r <= task.period for r, task in zip(published.responses, published.tasks, strict=True))
    end_cycle = together + (100 * tasks[-1].period if meets else SCALE * max(published.responses) + 1)
    ran = _model(tmp_path, tasks, together, end_cycle, "nested")
    worst = [int(ran.counters["worst_response"][level]) for level in LEVELS[: len(tasks)]]
    assert worst == [SCALE * response for response in published.responses]
    assert (ran.count("missed_edges"), ran.count("missed_compares"), ran.count("overruns")) == (0, 0, 0)


SMALL = (Task(3, 7), Task(3, 12), Task(5, 20))
"""The set of Burns and Wellings again, small enough to try every phase."""


@pytest.mark.parametrize("structure", ["nested", "interrupt"])
def test_over_all_phases_the_worst_response_is_that_of_the_formula(tmp_path: Path, structure: str) -> None:
    worst = [0, 0, 0]
    for late in product(range(SMALL[0].period), range(SMALL[1].period)):
        ran = _model(tmp_path, SMALL, SMALL[2].period, 20 + 7 * 12 * 20, structure, late)
        worst = [
            max(w, int(ran.counters["worst_response"][level]))
            for w, level in zip(worst, LEVELS, strict=False)
        ]
    if structure == "nested":
        assert worst == [
            response_time(task.cycles, SMALL[:place], 0, LIMIT) for place, task in enumerate(SMALL)
        ]
        return
    # A lower handler that came a cycle earlier blocks; the last has nobody below it.
    blocking = [max((task.cycles - 1 for task in SMALL[place + 1 :]), default=0) for place in range(3)]
    assert worst == [
        one_level_response_time(task, SMALL[:place], blocking[place], LIMIT)
        for place, task in enumerate(SMALL)
    ]


def test_one_level_costs_the_highest_handler_the_longest_lower_run() -> None:
    assert one_level_response_time(Task(3, 7), (), 5 - 1, LIMIT) == 4 + 3
    assert response_time(3, (), 0, LIMIT) == 3


def test_a_handler_with_more_to_do_than_time_is_told_at_once() -> None:
    """A rotor that all but stands makes the limit long: stepping up to it would take hours."""
    assert one_level_response_time(Task(105, 55), [], 0, 19_724_367_100) is None
    assert one_level_response_time(Task(50, 100), [Task(51, 100)], 0, 10**10) is None
    assert one_level_response_time(Task(50, 100), [Task(50, 100)], 0, 10**10) == 100


def test_handlers_that_leave_no_time_have_no_response_time() -> None:
    full = (Task(5, 10), Task(10, 20))
    assert response_time(1, full, 0, LIMIT) is None
    assert one_level_response_time(Task(1, 100), full, 0, LIMIT) is None
