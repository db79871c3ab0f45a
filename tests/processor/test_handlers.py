"""Handlers: when they begin and end, in which order, what they cost; control ticks; interrupts against
polling."""

from pathlib import Path

import numpy as np

from controllers.opcodes import OUT
from sim.processor.records import CONTROL_TICK, HALL_EDGE, MAIN_LOOP, START, STEP_TIMER
from tests.processor.harness import ENTRY_CYCLES, WORK, Rotor, compile_text, law, run

THREE_WRITES = "hw.set_duty(1)\nhw.set_step(2)\nhw.set_compare(3)"


def test_each_write_takes_effect_at_the_cycle_of_its_own_instruction(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_compare(40)", on_step_timer=THREE_WRITES), 90)
    assert ran.only("on_step_timer", "duty", "step 2", "compare 3") == [
        "40 enter on_step_timer",
        "53 write duty 1",  # entry 10 + OUT 3
        "56 write step 2",
        "59 write compare 3",
        "60 leave on_step_timer",
    ]


def test_work_before_a_write_delays_that_write_and_none_before(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start=f"hw.set_step(1)\n{WORK}\nhw.set_step(2)"), 200)
    assert ran.log == ["3 write step 1", "106 write step 2", "107 leave on_start"]  # 3 + work 100 + OUT 3


def test_with_one_cycle_per_instruction_a_write_comes_as_late_as_its_place_in_the_code(
    tmp_path: Path,
) -> None:
    text = law(on_start="hw.set_compare(40)", on_step_timer=f"{WORK}\nself.n += 1\n{THREE_WRITES}")
    program = compile_text(tmp_path, text)
    first = program.handlers["on_step_timer"]
    places = [pc - first + 1 for pc, row in enumerate(program.code) if pc >= first and row[0] == OUT]
    ran = run(tmp_path, text, 90, cost=np.ones(len(program.code), np.int64))
    writes = [int(line.split()[0]) for line in ran.only("duty", "step 2", "compare 3")]
    assert writes == [40 + ENTRY_CYCLES + place for place in places]


def test_a_handler_costs_what_it_executes(tmp_path: Path) -> None:
    # The first call works, the second does not; matches 256 cycles apart (8-bit timer).
    text = law(on_start="hw.set_compare(40)", on_step_timer=f"if self.n == 0:\n    self.n = 1\n    {WORK}")
    ran = run(tmp_path, text, 400, timer_mask=0xFF)
    assert ran.only("on_step_timer") == [
        "40 enter on_step_timer",
        "151 leave on_step_timer",  # 40 + entry 10 + work 100 + RET 1
        "296 enter on_step_timer",
        "307 leave on_step_timer",
    ]
    assert ran.counters["worst_cycles"][STEP_TIMER] == 116  # the longer: 151 - 40 + exit 5
    assert ran.counters["runs"][STEP_TIMER] == 2


def test_an_event_during_the_exit_waits_for_its_end(tmp_path: Path) -> None:
    # The step handler leaves at 40 + 10 + 1 = 51 and gives the processor back at 56; the edge is seen at 54.
    text = law(on_start="hw.set_compare(40)", on_step_timer="pass", on_hall_edge="pass")
    ran = run(tmp_path, text, 100, Rotor(53.5, 400.0))
    assert ran.only("leave on_step", "hall") == [
        "51 leave on_step_timer",
        "54 hall rise captured 54",
        "56 enter on_hall_edge",
        "67 leave on_hall_edge",
    ]


def test_pending_handlers_are_taken_step_first_then_hall_then_tick(tmp_path: Path) -> None:
    text = law(
        on_start=f"hw.set_compare(100)\n{WORK}",
        on_step_timer="pass",
        on_hall_edge="pass",
        on_control_tick="pass",
    )
    # They come in the opposite order: tick at 70, edge at 81, match at 100, while the start
    # handler works until 104.
    ran = run(tmp_path, text, 139, Rotor(80.5, 400.0), control_cycles=70)
    assert ran.log == [
        "3 write compare 100",
        "70 tick",
        "81 hall rise captured 81",
        "100 match count 100",
        "104 leave on_start",  # 3 + work 100 + RET 1; reset has no exit cycles
        "104 enter on_step_timer",
        "115 leave on_step_timer",  # 104 + entry 10 + RET 1
        "120 enter on_hall_edge",  # 115 + exit 5
        "131 leave on_hall_edge",
        "136 enter on_control_tick",
    ]


def test_control_ticks_come_at_exact_multiples_and_a_handler_longer_than_the_period_overruns(
    tmp_path: Path,
) -> None:
    ran = run(tmp_path, law(on_control_tick=WORK), 300, control_cycles=50)
    assert ran.log == [
        "1 leave on_start",
        "50 tick",
        "50 enter on_control_tick",
        "100 tick",  # flag up
        "150 tick",  # flag still up: lost
        "161 leave on_control_tick",  # 50 + entry 10 + work 100 + RET 1
        "166 enter on_control_tick",  # 161 + exit 5; the tick of 100
        "200 tick",
        "250 tick",  # lost
        "277 leave on_control_tick",
        "282 enter on_control_tick",
    ]
    assert ran.count("overruns") == 2


def test_a_match_whose_flag_is_still_up_is_lost_and_counted(tmp_path: Path) -> None:
    # 8-bit timer: matches at 40 and 296 while the start handler works until 3 + 3 * 100 + 1 = 304.
    text = law(on_start=f"hw.set_compare(40)\n{WORK}\n{WORK}\n{WORK}", on_step_timer="pass")
    ran = run(tmp_path, text, 400, timer_mask=0xFF)
    assert ran.only("match", "enter") == [
        "40 match count 40",
        "296 match count 40",
        "304 enter on_step_timer",
    ]
    assert ran.count("overruns") == 1


def test_events_that_the_law_has_no_handler_for_ask_for_nothing(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_compare(40)"), 200, Rotor(20.5, 50.0), control_cycles=70)
    assert ran.only("enter") == []
    assert (ran.count("missed_edges"), ran.count("overruns")) == (0, 0)


def test_a_polling_loop_notices_a_flag_at_its_next_round(tmp_path: Path) -> None:
    text = law(on_start="hw.set_compare(40)", on_step_timer="pass", on_hall_edge="pass")
    ran = run(tmp_path, text, 100, Rotor(59.5, 400.0), poll_loop_cycles=7, entry_cycles=2, exit_cycles=3)
    assert ran.log == [
        "3 write compare 40",
        "4 leave on_start",
        "40 match count 40",
        "46 enter on_step_timer",  # rounds at 4, 11, ..., 39, 46
        "49 leave on_step_timer",  # 46 + call 2 + RET 1
        "60 hall rise captured 60",
        "66 enter on_hall_edge",  # rounds start anew at 49 + return 3 = 52: 59, 66
        "69 leave on_hall_edge",
    ]


def test_a_polling_loop_takes_a_flag_that_rises_at_its_round_at_once(tmp_path: Path) -> None:
    text = law(on_start="hw.set_compare(46)", on_step_timer="pass")
    ran = run(tmp_path, text, 100, poll_loop_cycles=7)
    assert ran.only("enter") == ["46 enter on_step_timer"]  # rounds at 4 + 7 k


def test_busy_cycles_are_the_sum_of_all_handlers(tmp_path: Path) -> None:
    text = law(
        on_start="hw.set_compare(40)",
        on_step_timer="hw.set_step(1)",
        on_hall_edge="pass",
        on_control_tick=WORK,
    )
    ran = run(tmp_path, text, 390, Rotor(100.5, 400.0), control_cycles=150)
    worst = {
        START: 4,  # OUT 3 + RET 1
        STEP_TIMER: 19,  # entry 10 + OUT 3 + RET 1 + exit 5
        HALL_EDGE: 16,
        CONTROL_TICK: 116,  # entry 10 + work 100 + RET 1 + exit 5
        MAIN_LOOP: 0,
    }
    assert {handler: int(n) for handler, n in enumerate(ran.counters["worst_cycles"])} == worst
    assert [int(n) for n in ran.counters["runs"]] == [1, 1, 1, 1, 0]  # the tick of 300 is not over at 390
    assert ran.count("busy_cycles") == 4 + 19 + 16 + 116


def test_a_processor_that_takes_no_time_does_everything_at_the_cycle_of_the_event(tmp_path: Path) -> None:
    text = law(
        on_start="hw.set_compare(40)", on_step_timer=f"{WORK}\nhw.set_step(1)", on_hall_edge="hw.set_step(2)"
    )
    ran = run(tmp_path, text, 100, Rotor(39.5, 400.0), cost={}, entry_cycles=0, exit_cycles=0)
    assert ran.log == [
        "0 write compare 40",
        "0 leave on_start",
        "40 hall rise captured 40",
        "40 match count 40",
        "40 enter on_step_timer",
        "40 write step 1",
        "40 leave on_step_timer",
        "40 enter on_hall_edge",
        "40 write step 2",
        "40 leave on_hall_edge",
    ]
    assert ran.count("busy_cycles") == 0


def test_the_command_read_is_the_last_row_that_has_begun_rounded_to_whole_rpm(tmp_path: Path) -> None:
    # IN takes 2 cycles: reads at 2, 4, 6 us.
    reads = "\n".join(["self.x = hw.command_rpm()"] * 3)
    ran = run(tmp_path, law(on_start=reads), 10, commands=((0.0, 1000.0), (4e-6, 2000.4), (6e-6, 3000.6)))
    assert ran.only("read") == [
        "2 read command_rpm 1000",
        "4 read command_rpm 2000",
        "6 read command_rpm 3001",
    ]
