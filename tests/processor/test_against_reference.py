"""Event logs of random laws on random processors, against the cycle-by-cycle reference."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controllers.opcodes import IN, MUL, OUT, RET
from tests.processor.harness import IN_CYCLES, OUT_CYCLES, RET_CYCLES, STANDING, Outcome, Rotor, law, run
from tests.processor.reference import Reference, Setting, Statement, source

END_CYCLE = 3000
COUNTERS = ("missed_edges", "missed_compares", "overruns", "busy_cycles")

_statement = st.one_of(
    st.sampled_from(["work", "timer", "captured", "hall"]).map(lambda word: (word, 0)),
    st.tuples(st.just("compare"), st.integers(0, 600)),
    st.tuples(st.just("ahead"), st.one_of(st.integers(0, 20), st.integers(0, 65535))),
    st.tuples(st.just("duty"), st.integers(0, 120)),
    st.tuples(st.just("step"), st.integers(0, 6)),
)
_body = st.lists(_statement, max_size=5)
_handlers = st.fixed_dictionaries(
    {"on_start": _body},
    optional={"on_hall_edge": _body, "on_step_timer": _body, "on_control_tick": _body},
)
# Edges in the middle of a cycle: half turns are whole numbers of cycles, and the first edge lies at a half.
settings = st.builds(
    Setting,
    handlers=_handlers,
    work_cycles=st.integers(0, 150),
    entry_cycles=st.integers(0, 30),
    exit_cycles=st.integers(0, 20),
    poll_loop_cycles=st.sampled_from([1, 1, 2, 7, 40]),
    tick_cycles=st.sampled_from([1, 2, 3, 8, 64]),
    timer_mask=st.sampled_from([0xF, 0xFF, 0xFFF, 0xFFFF]),
    pwm_count_cycles=st.sampled_from([1, 2, 5]),
    pwm_top=st.integers(8, 100),
    control_cycles=st.one_of(st.just(0), st.integers(20, 400)),
    first_edge=st.integers(0, 400).map(lambda cycle: cycle + 0.5),
    turn=st.one_of(st.just(0.0), st.integers(10, 400).map(lambda half: 2.0 * half)),
)


def _simulated(folder: pytest.TempPathFactory, setting: Setting) -> Outcome:
    """The compiled kernel on a setting."""
    numbers = dataclasses.asdict(setting)
    bodies = {name: source(statements) for name, statements in numbers.pop("handlers").items()}
    first_edge, turn = numbers.pop("first_edge"), numbers.pop("turn")
    rotor = Rotor(first_edge % turn, turn) if turn else STANDING
    cost = {OUT: OUT_CYCLES, IN: IN_CYCLES, RET: RET_CYCLES, MUL: numbers.pop("work_cycles")}
    return run(folder.getbasetemp(), law(**bodies), END_CYCLE, rotor, cost, log_rows=20_000, **numbers)


@given(setting=settings)
def test_the_event_log_is_that_of_the_reference(
    tmp_path_factory: pytest.TempPathFactory, setting: Setting
) -> None:
    reference = Reference(setting).run(END_CYCLE)
    ran = _simulated(tmp_path_factory, setting)
    assert ran.log == reference.log
    assert {name: ran.count(name) for name in COUNTERS} == {
        name: getattr(reference, name) for name in COUNTERS
    }


def test_a_crowded_case_is_that_of_the_reference(tmp_path_factory: pytest.TempPathFactory) -> None:
    # Everything at once: short turns, a 4-bit timer, handlers longer than the control period.
    work: list[Statement] = [("work", 0), ("captured", 0), ("ahead", 1), ("duty", 7)]
    handlers = {"on_start": work, "on_hall_edge": work, "on_step_timer": work, "on_control_tick": work}
    setting = Setting(handlers, 31, 4, 3, 7, 2, 0xF, 1, 10, 23, 12.5, 30.0)
    reference = Reference(setting).run(END_CYCLE)
    ran = _simulated(tmp_path_factory, setting)
    assert ran.log == reference.log
    assert min(getattr(reference, name) for name in COUNTERS) > 10
