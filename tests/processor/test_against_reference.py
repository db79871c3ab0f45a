"""Event logs of random laws on random processors, against the cycle-by-cycle reference."""

import dataclasses
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controllers.opcodes import IN, MUL, OUT, RET, WRAP_ADD, WRAP_SUB
from controllers.program import HANDLERS
from sim.processor.records import TRACE_COLUMNS
from tests.processor.harness import IN_CYCLES, OUT_CYCLES, RET_CYCLES, STANDING, Outcome, Rotor, law, run
from tests.processor.reference import Reference, Setting, Statement, source

END_CYCLE = 3000
SAMPLE_CYCLES = 50
"""Shorter than many a handler of the cases, so that rows begin and end in handlers, entries and exits."""
CPU_LOAD = TRACE_COLUMNS.index("cpu_load")
COUNTERS = ("missed_edges", "missed_compares", "overruns", "busy_cycles", "main_cycles")
PER_HANDLER = ("runs", "worst_cycles", "worst_response")

_statement = st.one_of(
    st.sampled_from(["work", "timer", "captured", "hall", "show", "mask"]).map(lambda word: (word, 0)),
    st.tuples(st.just("compare"), st.integers(0, 600)),
    st.tuples(st.just("ahead"), st.one_of(st.integers(0, 20), st.integers(0, 65535))),
    st.tuples(st.just("duty"), st.integers(0, 120)),
    st.tuples(st.just("step"), st.integers(0, 6)),
    st.tuples(st.sampled_from(["more", "less"]), st.integers(1, 99)),
)
_body = st.lists(_statement, max_size=5)
_idle_body = st.lists(st.just(("work", 0)), max_size=2)  # 1 times 1: changes nothing
_handlers = st.fixed_dictionaries(
    {"on_start": _body},
    optional={
        "on_hall_edge": _body,
        "on_step_timer": _body,
        "on_control_tick": _body,
        "main_loop": st.one_of(_body, _idle_body),
    },
)


def _without_what_the_structure_has_not(setting: Setting) -> Setting:
    """Interrupts are noticed at once, a polling loop chains nothing."""
    if setting.structure == "polled":
        return dataclasses.replace(setting, tail_chain_cycles=0)
    return dataclasses.replace(setting, poll_loop_cycles=1)


# Edges in the middle of a cycle: half turns are whole numbers of cycles, and the first edge lies at a half.
settings = st.builds(
    Setting,
    handlers=_handlers,
    structure=st.sampled_from(["interrupt", "nested", "polled"]),
    work_cycles=st.integers(0, 150),
    add_cycles=st.integers(0, 12),
    entry_cycles=st.integers(0, 30),
    exit_cycles=st.integers(0, 20),
    tail_chain_cycles=st.sampled_from([0, 0, 1, 6]),
    loop_cycles=st.sampled_from([1, 2, 9]),
    poll_loop_cycles=st.sampled_from([1, 1, 2, 7, 40]),
    tick_cycles=st.sampled_from([1, 2, 3, 8, 64]),
    timer_mask=st.sampled_from([0xF, 0xFF, 0xFFF, 0xFFFF]),
    pwm_count_cycles=st.sampled_from([1, 2, 5]),
    pwm_top=st.integers(8, 100),
    control_cycles=st.one_of(st.just(0), st.integers(20, 400)),
    first_edge=st.integers(0, 400).map(lambda cycle: cycle + 0.5),
    turn=st.one_of(st.just(0.0), st.integers(10, 400).map(lambda half: 2.0 * half)),
).map(_without_what_the_structure_has_not)


def _simulated(folder: pytest.TempPathFactory, setting: Setting) -> Outcome:
    """The compiled kernel on a setting."""
    numbers = dataclasses.asdict(setting)
    bodies = {name: source(statements) for name, statements in numbers.pop("handlers").items()}
    first_edge, turn = numbers.pop("first_edge"), numbers.pop("turn")
    rotor = Rotor(first_edge % turn, turn) if turn else STANDING
    add_cycles = numbers.pop("add_cycles")
    cost = {OUT: OUT_CYCLES, IN: IN_CYCLES, RET: RET_CYCLES, MUL: numbers.pop("work_cycles")}
    cost |= {WRAP_ADD: add_cycles, WRAP_SUB: add_cycles}
    return run(
        folder.getbasetemp(), law(**bodies), END_CYCLE, rotor, cost, log_rows=20_000,
        sample_cycles=SAMPLE_CYCLES, trace_rows=END_CYCLE // SAMPLE_CYCLES, **numbers,
    )  # fmt: skip


def _agree(folder: pytest.TempPathFactory, setting: Setting) -> Outcome:
    """Kernel and reference leave the same log, the same counters and the same load in every trace row."""
    reference, ran = Reference(setting).run(END_CYCLE), _simulated(folder, setting)
    assert ran.log == reference.log
    assert {name: ran.count(name) for name in COUNTERS} == {
        name: getattr(reference, name) for name in COUNTERS
    }
    by = reference.handler_cycles[::SAMPLE_CYCLES]
    loads = [(after - before) / SAMPLE_CYCLES for before, after in itertools.pairwise(by)]
    # one row less: nothing is done at the last cycle; rel: the rounding of a quotient of times
    assert list(ran.trace[:, CPU_LOAD]) == pytest.approx(loads[: len(ran.trace)], rel=1e-9, abs=1e-12)
    assert len(ran.trace) == len(loads) - 1
    for counter in PER_HANDLER:
        counted = dict(zip(HANDLERS, ran.counters[counter].tolist(), strict=True))
        assert counted == {name: getattr(reference, counter)[name] for name in HANDLERS}, counter
    return ran


@given(setting=settings)
def test_the_event_log_is_that_of_the_reference(
    tmp_path_factory: pytest.TempPathFactory, setting: Setting
) -> None:
    _agree(tmp_path_factory, setting)


@pytest.mark.parametrize("structure", ["interrupt", "nested", "polled"])
@pytest.mark.parametrize("has_main_loop", [False, True])
def test_a_crowded_case_is_that_of_the_reference(
    tmp_path_factory: pytest.TempPathFactory, structure: str, has_main_loop: bool
) -> None:
    # Everything at once: a 4-bit timer, compares at the count itself, a start that takes long.
    work: list[Statement] = [("work", 0), ("more", 1), ("show", 0)]
    handlers = {
        "on_start": [("ahead", 3), *20 * work],  # edges and ticks are lost meanwhile
        "on_hall_edge": [*work, ("captured", 0), ("mask", 0)],
        "on_step_timer": [("ahead", 9), ("step", 1), ("less", 3)],
        "on_control_tick": [*work, *work, ("timer", 0), ("ahead", 0)],
        **({"main_loop": [("hall", 0), *work, ("mask", 0)]} if has_main_loop else {}),
    }
    setting = Setting(
        handlers, structure, work_cycles=23, add_cycles=5, entry_cycles=4, exit_cycles=3, tail_chain_cycles=0,
        poll_loop_cycles=7 if structure == "polled" else 1, loop_cycles=9, tick_cycles=13, timer_mask=0xF,
        pwm_count_cycles=1, pwm_top=10, control_cycles=161, first_edge=12.5, turn=210.0,
    )  # fmt: skip
    ran = _agree(tmp_path_factory, setting)
    assert min(ran.count(name) for name in ("missed_edges", "missed_compares", "overruns")) > 0
    assert has_main_loop == (ran.count("main_cycles") > 0)
