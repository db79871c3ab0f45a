"""The bench: exact logs by hand, the same as the processor of the simulation, marks that change nothing."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controllers.check import traces
from controllers.check.bench.records import LOG_NAMES, TRIP
from controllers.check.cover import conditional_jumps, marked
from controllers.check.scenario import Scenario, command, edges, glitch, poke, trip, wait
from controllers.check.space import free_space
from controllers.check.stand import Bench, Hardware
from controllers.compare import ticks_behind
from controllers.cost import link
from controllers.opcodes import IN, MUL, OUT, RET
from controllers.ports import IN_PORTS, OUT_PORTS
from controllers.program import HANDLERS
from targets import load_target
from tests.controllers.check.support import LAWS, subject
from tests.processor import harness

COSTS = {OUT: harness.OUT_CYCLES, IN: harness.IN_CYCLES, RET: harness.RET_CYCLES, MUL: harness.WORK_CYCLES}
HARDWARE = Hardware(harness.CLOCK_Hz, 1, 16, harness.ENTRY_CYCLES, harness.EXIT_CYCLES, 1000, 100)
LAW = harness.law(
    on_start="hw.set_step(0)\nself.seen = hw.timer()\nhw.set_compare(wrap_add(self.seen, 3000))",
    on_hall_edge="self.x = u16(3)\nself.x = self.x * self.x\nself.seen = hw.captured()\nhw.set_step(1)",
    on_step_timer="self.n += 1\nif self.n > 4:\n    self.n = 0\nhw.set_step(2)\n"
    "hw.set_compare(wrap_add(hw.timer(), 300))",
)


def bench_of(folder: Path, text: str, *, reads_count: bool = False) -> Bench:
    program = harness.compile_text(folder, text)
    hardware = replace(HARDWARE, reads_count=reads_count)
    return Bench(link(program, load_target("m0")), hardware, harness.prices(program, COSTS))


def lines(bench: Bench, scenario: Scenario) -> list[str]:
    """The log, one readable line a row."""
    names = {"read": IN_PORTS, "write": OUT_PORTS}
    text = []
    for cycle, kind, a, b, _ in bench.play(scenario, 1000).log:
        word = LOG_NAMES[kind]
        if word in names:
            text.append(f"{cycle} {word} {names[word][a].name} {b}")
        elif word in ("enter", "leave"):
            text.append(f"{cycle} {word} {HANDLERS[a]}")
        else:
            text.append(f"{cycle} {word} {a} {b}")
    return text


@pytest.mark.parametrize(("rows", "is_complete"), [(3, False), (4, False), (5, True)])
def test_a_trace_whose_log_is_full_may_lack_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: int, is_complete: bool
) -> None:
    """The play makes four rows; with room for no more, nobody knows whether there was a fifth."""
    bench = bench_of(tmp_path, harness.law(on_start="hw.set_step(0)"))
    scenario = Scenario(events=(edges(50), edges(50)))
    assert len(bench.play(scenario, 100).log) == 4
    monkeypatch.setattr(traces, "LOG_ROWS", rows)
    assert traces.trace_of(bench, scenario).is_complete == is_complete


def test_every_cycle_can_be_added_up_by_hand(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, harness.law(on_start="hw.set_step(0)", on_hall_edge="hw.set_step(1)"))
    assert lines(bench, Scenario(events=(edges(50),))) == [
        "3 write set_step 0",  # a write takes 3 cycles
        "4 leave on_start",  # the return 1
        "50 edge 1 50",
        "50 enter on_hall_edge",
        "63 write set_step 1",  # entry 10
        "64 leave on_hall_edge",
    ]


def test_events_come_one_after_the_other(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, harness.law(on_hall_edge="self.n = hw.hall()"))
    slot = bench.program.statics["n"]
    events = (edges(100, 3, -20), wait(500), glitch(10), command(5, 900), poke(slot, 7))
    found = [
        line
        for line in lines(bench, Scenario(events=events))
        if line.split()[1] in ("edge", "command", "poke")
    ]
    assert found == [
        "100 edge 1 100",
        "180 edge 1 180",  # 20 ticks sooner
        "240 edge 1 240",
        "750 edge 0 750",  # a spike: the level has fallen by then
        "755 command 900 0",
        # between handlers: that of the spike has an entry of 10 cycles, a read of 2 and a return of 1
        f"764 poke {slot} 7",
    ]


def test_a_variable_that_changes_within_a_turn_moves_no_edge(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, harness.law(on_hall_edge="self.n = hw.hall()"))
    slot = bench.program.statics["n"]
    events = (edges(100, 2), poke(slot, 7, 30), poke(slot, 8, 60), edges(100, 2))
    found = [
        line for line in lines(bench, Scenario(events=events)) if line.split()[1] in ("edge", "poke", "read")
    ]
    assert found == [
        "100 edge 1 100",
        "112 read hall 1",  # an entry of 10 cycles, a read of 2
        "200 edge 1 200",
        "212 read hall 1",
        f"230 poke {slot} 7",
        f"260 poke {slot} 8",
        "300 edge 1 300",
        "312 read hall 1",
        "400 edge 1 400",
        "412 read hall 1",
    ]


def test_the_timer_starts_where_the_scenario_says(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, harness.law(on_start="self.seen = hw.timer()"))
    assert lines(bench, Scenario(start_ticks=65535))[0] == "65537 read timer 1"


@settings(max_examples=15)
@given(
    first=st.integers(200, 4000), turn=st.integers(400, 5000), count=st.integers(1, 6), reads=st.booleans()
)
def test_the_bench_and_the_processor_of_the_simulation_do_the_same(
    tmp_path_factory: pytest.TempPathFactory, first: int, turn: int, count: int, reads: bool
) -> None:
    folder = tmp_path_factory.mktemp("both")
    end = first + turn * (count - 1) + turn // 2
    rotor = harness.Rotor(float(first), float(turn))
    outcome = harness.run(folder, LAW, end, rotor, cost=COSTS, reads_count=int(reads))
    rises = [0, *(int(line.split()[0]) for line in outcome.only("hall rise"))]
    gaps = [later - earlier for earlier, later in pairwise(rises)]
    scenario = Scenario(events=(*(edges(gap) for gap in gaps), wait(turn)))
    bench = bench_of(folder, LAW, reads_count=reads)
    found = [line for line in lines(bench, scenario) if not _is_edge(line)]
    expected = [_of_processor(line) for line in outcome.log]
    before = [line for line in found if int(line.split()[0]) < end]
    assert [line for line in expected if line and int(line.split()[0]) < end] == before


def _is_edge(line: str) -> bool:
    return line.split()[1] in ("edge", "match")


def _of_processor(line: str) -> str:
    """A line of the simulation's log as the bench writes it; "" for one that the bench leaves out."""
    cycle, word, *rest = line.split()
    if word in ("hall", "match", "pwm", "tick"):
        return ""
    if word == "write":
        return f"{cycle} write set_{rest[0]} {rest[1]}"
    return " ".join([cycle, word, *rest])


@settings(max_examples=200)
@given(tick=st.integers(0, 1 << 40), value=st.integers(0, 65535))
def test_a_value_is_behind_by_less_than_half_the_range_or_ahead(tick: int, value: int) -> None:
    behind = ticks_behind(tick, value, 65535)
    assert (tick - behind) % 65536 == value
    assert -32768 <= behind <= 32767
    assert (behind >= 0) == ((tick - value) % 65536 < 32768)


def test_a_compare_written_anew_in_time_is_not_missed(tmp_path: Path) -> None:
    late = "hw.set_compare(hw.captured())"
    again = f"{late}\nhw.set_compare(wrap_add(hw.timer(), 9))"
    for body, missed in ((late, 1), (again, 0)):
        bench = bench_of(tmp_path, harness.law(on_hall_edge=body))
        assert bench.play(Scenario(events=(edges(50),))).found("compare in the past") == missed


def test_marks_change_neither_cycles_nor_results() -> None:
    checked = subject(LAWS / "steady.py")
    program, marks = checked.program, marked(checked.program)
    assert len(marks.sides) == 2 * len(conditional_jumps(program))
    kept = ~marks.is_mark
    assert np.array_equal(marks.origin[kept], np.arange(len(program.code)))
    assert np.array_equal(marks.code[kept][:, :5], program.code[:, :5])
    worst = checked.bench.play(Scenario(events=(edges(20000, 40, -100), wait(60000)))).state["worst_cycles"]
    bounds = checked.linked.worst_case_cycles
    assert all(0 < int(c) <= bounds[name] for name, c in zip(HANDLERS, worst, strict=True) if name in bounds)


def test_every_scenario_of_a_space_can_be_told_in_words() -> None:
    checked = subject(LAWS / "steady.py")
    space = free_space(checked.program, checked.hardware)
    rows = tuple((number, 500, 3, -7) for number in range(len(space.kinds)))
    assert space.scenario((9, 1200, rows)).lines() == [
        "reset, timer at 9, command 1,200 rpm",
        "3 Hall edges, 500 ticks apart, each interval -7 ticks",
        "no edge for 500 ticks",
        "a spike of the Hall sensor after 500 ticks",
        "after 500 ticks the command becomes 3 rpm",
    ]


def test_a_trip_is_told_to_the_law_once(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, harness.law(on_hall_edge="self.n = hw.tripped()"))
    played = lines(bench, Scenario(events=(trip(20), edges(50, 2))))
    assert [line for line in played if "trip" in line] == [
        "20 trip 0 0",
        "82 read tripped 1",  # the edge at 20 + 50, entry 10, the access 2
        "132 read tripped 0",
    ]


def test_trips_are_drawn_for_laws_that_read_them_only(tmp_path: Path) -> None:
    reading, other = (
        free_space(harness.compile_text(tmp_path, harness.law(on_hall_edge=body)), HARDWARE)
        for body in ("self.n = hw.tripped()", "self.n = hw.hall()")
    )
    assert set(reading.kinds) - set(other.kinds) == {TRIP}
