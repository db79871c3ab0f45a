"""What interrupts what, to the cycle: the main loop under interrupts, levels, ties, masking, chaining."""

from pathlib import Path

import pytest

from sim.processor.records import CONTROL_TICK, HALL_EDGE, MAIN_LOOP, STEP_TIMER
from tests.processor.harness import WORK, Rotor, law, run

STEP_AT_50 = {"on_start": "hw.set_compare(50)", "on_step_timer": "hw.set_step(1)"}
"""The start handler leaves at 4 (OUT 3, RET 1); the step handler takes 10 + 3 + 1 + 5 = 19."""


def test_an_interrupt_stops_a_long_instruction_of_the_main_loop_in_the_middle(tmp_path: Path) -> None:
    ran = run(tmp_path, law(**STEP_AT_50, main_loop=f"{WORK}\nhw.set_duty(7)"), 240)
    assert ran.only("write", "step_timer") == [
        "3 write compare 50",
        "50 enter on_step_timer over main_loop",  # 46 of the 100 cycles of work are done
        "63 write step 1",
        "64 leave on_step_timer",
        "126 write duty 7",  # 64 + exit 5 + the other 54 cycles + OUT 3
        "232 write duty 7",  # RET 1, jump 2, work 100, OUT 3
    ]
    # The first round: 4 .. 129, 19 of it the interrupt's; the second 106.
    assert ran.counters["worst_response"][MAIN_LOOP] == 125
    assert ran.counters["worst_cycles"][MAIN_LOOP] == 106
    assert (ran.counters["runs"][MAIN_LOOP], ran.count("main_cycles")) == (2, 212)
    assert ran.count("busy_cycles") == 4 + 19


def test_the_main_loop_goes_on_with_what_the_interrupt_has_left_in_the_variables(tmp_path: Path) -> None:
    # An idle main loop (RET 1, jump 2) until n is set; 50 lies in its rounds of 4, 7, ..., 49, 52.
    text = law(
        on_start="hw.set_compare(50)", on_step_timer="self.n = 1",
        main_loop="if self.n == 1:\n    self.n = 2\n    hw.set_duty(9)",
    )  # fmt: skip
    ran = run(tmp_path, text, 200)
    # 50 + entry 10 + RET 1 + exit 5 = 66, the two cycles left of the round, then the test and OUT 3.
    assert ran.only("duty") == ["71 write duty 9"]
    # Rounds of 3 from 4; one with OUT 3 more and the interrupt's 16 cycles in the round before.
    assert ran.counters["runs"][MAIN_LOOP] == (68 - 16 - 4) // 3 + 1 + (199 - 74) // 3
    assert ran.counters["worst_response"][MAIN_LOOP] == 19
    assert ran.counters["worst_cycles"][MAIN_LOOP] == 6


def test_an_instruction_that_ends_with_the_flag_is_done_the_next_one_is_not(tmp_path: Path) -> None:
    # Writes of the main loop at 7, 10, ..., 49, 52: the one at 52 has had one cycle when the match comes.
    step = "hw.set_duty(self.x)"
    main = "\n".join(["hw.set_duty(5)"] * 20)
    ran = run(tmp_path, law(on_start="hw.set_compare(50)", on_step_timer=step, main_loop=main), 75)
    assert ran.only("duty", "enter", "leave")[-6:] == [
        "49 write duty 5",
        "50 enter on_step_timer over main_loop",
        "63 write duty 1",
        "64 leave on_step_timer",
        "71 write duty 5",  # 64 + exit 5 + two cycles left
        "74 write duty 5",
    ]


@pytest.mark.parametrize(("edge", "enter"), [(48.5, 49), (47.5, 48)])
def test_an_access_at_the_cycle_of_an_interrupt_comes_before_it(
    tmp_path: Path, edge: float, enter: int
) -> None:
    main = "\n".join(["hw.set_duty(5)"] * 20)  # writes at 1 + 3 k
    ran = run(tmp_path, law(on_hall_edge="pass", main_loop=main), 80, Rotor(edge, 4000.0))
    before = [line for line in ran.log if int(line.split()[0]) <= enter]
    assert before[-1] == f"{enter} enter on_hall_edge over main_loop"
    assert (before[-2] == "49 write duty 5") == (enter == 49)


def test_a_handler_that_returns_at_the_cycle_of_a_higher_flag_is_over(tmp_path: Path) -> None:
    # The tick handler of 100 returns at 111, where the edge is seen; its exit cycles are passed before.
    text = law(on_control_tick="pass", on_hall_edge="pass")
    ran = run(tmp_path, text, 150, Rotor(110.5, 4000.0), structure="nested", control_cycles=100)
    assert ran.log == [
        "1 leave on_start",
        "100 tick",
        "100 enter on_control_tick",
        "111 hall rise captured 111",
        "111 leave on_control_tick",
        "116 enter on_hall_edge",
        "127 leave on_hall_edge",
    ]


def test_a_flag_that_rises_during_the_entry_is_taken_at_its_end(tmp_path: Path) -> None:
    text = law(on_control_tick="hw.set_duty(7)", on_hall_edge="pass")
    ran = run(tmp_path, text, 150, Rotor(104.5, 4000.0), structure="nested", control_cycles=100)
    assert ran.log == [
        "1 leave on_start",
        "100 tick",
        "100 enter on_control_tick",
        "105 hall rise captured 105",
        "110 enter on_hall_edge over on_control_tick",  # 100 + entry 10: nothing of it is done yet
        "121 leave on_hall_edge",
        "129 write duty 7",  # 121 + exit 5 + OUT 3
        "130 leave on_control_tick",
    ]


def _three_deep(folder: Path, structure: str) -> list[str]:
    """Tick at 100, edge at 130 and match at 150 over a main loop that works; edge and match come while the
    handlers below work."""
    text = law(
        on_start="hw.set_compare(150)",
        on_control_tick=f"{WORK}\nhw.set_duty(3)",
        on_hall_edge=f"{WORK}\nhw.set_duty(2)",
        on_step_timer=f"{WORK}\nhw.set_duty(1)",
        main_loop=f"{WORK}\nhw.set_duty(4)",
    )
    ran = run(folder, text, 640, Rotor(129.5, 4000.0), structure=structure, control_cycles=100)
    return ran.only("enter", "leave", "duty")[1:]


def test_three_levels_over_the_main_loop(tmp_path: Path) -> None:
    assert _three_deep(tmp_path, "nested")[:11] == [
        "100 enter on_control_tick over main_loop",  # the main loop has had 96 of 100
        "130 enter on_hall_edge over on_control_tick",  # the tick 20 of 100
        "150 enter on_step_timer over on_hall_edge",  # the edge 10 of 100
        "263 write duty 1",  # 150 + entry 10 + work 100 + OUT 3
        "264 leave on_step_timer",
        "362 write duty 2",  # 264 + exit 5 + 90 + 3
        "363 leave on_hall_edge",
        "451 write duty 3",  # 363 + 5 + 80 + 3
        "452 leave on_control_tick",
        "457 enter on_control_tick over main_loop",  # the tick of 200; those from 300 on are lost
        "570 write duty 3",
    ]


def test_on_one_level_the_same_events_wait_for_each_other(tmp_path: Path) -> None:
    assert _three_deep(tmp_path, "interrupt")[:9] == [
        "100 enter on_control_tick over main_loop",
        "213 write duty 3",
        "214 leave on_control_tick",
        "219 enter on_step_timer over main_loop",
        "332 write duty 1",
        "333 leave on_step_timer",
        "338 enter on_hall_edge over main_loop",
        "451 write duty 2",
        "452 leave on_hall_edge",
    ]


def test_cycles_are_booked_on_the_handler_that_has_them(tmp_path: Path) -> None:
    text = law(on_control_tick=WORK, on_hall_edge=WORK, on_start="hw.set_compare(150)", on_step_timer=WORK)
    ran = run(tmp_path, text, 640, Rotor(129.5, 4000.0), structure="nested", control_cycles=100)
    for handler in (STEP_TIMER, HALL_EDGE, CONTROL_TICK):
        assert ran.counters["worst_cycles"][handler] == 116  # entry 10, work 100, RET 1, exit 5
    assert ran.counters["worst_response"][STEP_TIMER] == 116
    assert ran.counters["worst_response"][HALL_EDGE] == 2 * 116


def test_nothing_interrupts_the_start_handler(tmp_path: Path) -> None:
    text = law(on_start=f"hw.set_compare(40)\n{WORK}", on_step_timer="pass", main_loop="pass")
    ran = run(tmp_path, text, 130, structure="nested")
    assert ran.log == [
        "3 write compare 40",
        "40 match count 40",
        "104 leave on_start",
        "104 enter on_step_timer over main_loop",
        "115 leave on_step_timer",
    ]


def test_a_masked_block_is_interrupted_after_its_end(tmp_path: Path) -> None:
    text = law(**STEP_AT_50, main_loop=f"with hw.masked():\n    {WORK}\nhw.set_duty(7)")
    ran = run(tmp_path, text, 140)
    assert ran.only("mask", "enter", "duty") == [
        "7 write masked 1",
        "110 write masked 0",
        "110 enter on_step_timer over main_loop",
        "132 write duty 7",  # 110 + 19 + OUT 3
        "138 write masked 1",
    ]
    assert ran.counters["worst_response"][STEP_TIMER] == 110 - 50 + 19


def test_tail_chaining_spares_exit_and_entry(tmp_path: Path) -> None:
    # Edge and match come while the start handler works until 104.
    text = law(on_start=f"hw.set_compare(40)\n{WORK}", on_step_timer="pass", on_hall_edge="pass")
    ran = run(tmp_path, text, 150, Rotor(50.5, 4000.0), tail_chain_cycles=6)
    assert ran.only("enter", "leave") == [
        "104 leave on_start",
        "104 enter on_step_timer",
        "115 leave on_step_timer",
        "115 enter on_hall_edge",
        "122 leave on_hall_edge",  # chain 6, RET 1
    ]
    assert ran.count("busy_cycles") == 104 + 11 + 12


def test_an_idle_main_loop_is_no_load_and_its_rounds_are_counted(tmp_path: Path) -> None:
    ran = run(tmp_path, law(main_loop="pass"), 1000, Rotor(50.5, 100.0))
    # From 1 on, rounds of RET 1 and jump 2; the run ends before anything that falls on 1000.
    assert ran.counters["runs"][MAIN_LOOP] == (999 - 1) // 3
    assert ran.counters["worst_response"][MAIN_LOOP] == 3
    assert ran.count("busy_cycles") == 1


def test_faults_of_idle_rounds_are_counted_in_every_round(tmp_path: Path) -> None:
    ran = run(tmp_path, law(main_loop="self.seen = self.seen // ticks(self.n)"), 1000)
    assert ran.counters["runs"][MAIN_LOOP] == (999 - 1) // 3
    assert int(ran.faults.sum()) == (999 - 1) // 3


def test_a_polling_loop_runs_its_body_once_per_round(tmp_path: Path) -> None:
    text = law(
        on_start="hw.set_compare(25)", on_step_timer="hw.set_step(1)", on_hall_edge="hw.set_step(2)",
        main_loop="hw.set_duty(7)",
    )  # fmt: skip
    ran = run(
        tmp_path, text, 80, Rotor(30.5, 4000.0), structure="polled", loop_cycles=9, entry_cycles=2,
        exit_cycles=3,
    )  # fmt: skip
    assert ran.log == [
        "3 write compare 25",
        "4 leave on_start",
        "7 write duty 7",  # RET at 8, jump and tests until 17
        "20 write duty 7",  # next tests done at 30
        "25 match count 25",
        "30 enter on_step_timer",
        "31 hall rise captured 31",
        "35 write step 1",
        "36 leave on_step_timer",
        "39 enter on_hall_edge",  # its flag is tested after that of the step timer
        "44 write step 2",
        "45 leave on_hall_edge",
        "51 write duty 7",
        "64 write duty 7",
        "77 write duty 7",
    ]
    assert ran.counters["worst_response"][MAIN_LOOP] == 61 - 30
    assert ran.counters["worst_cycles"][MAIN_LOOP] == 13


def test_a_polling_loop_serves_a_flag_at_most_once_per_round(tmp_path: Path) -> None:
    # The Hall handler's own compare matches while it runs: the step's flag was tested before, in this round.
    text = law(on_hall_edge=f"hw.set_compare(60)\n{WORK}", on_step_timer="pass", main_loop="hw.set_duty(7)")
    ran = run(tmp_path, text, 200, Rotor(10.5, 4000.0), structure="polled", loop_cycles=9)
    assert ran.only("enter", "leave", "duty", "match")[2:8] == [
        "14 enter on_hall_edge",
        "60 match count 60",
        "128 leave on_hall_edge",
        "136 write duty 7",
        "146 enter on_step_timer",
        "157 leave on_step_timer",
    ]


def test_an_idle_polling_loop_does_not_forget_a_flag_that_rose_after_its_test(tmp_path: Path) -> None:
    # As above with a body that does nothing: rounds of RET 1 and 9; the step's flag waits for the next.
    text = law(on_hall_edge=f"hw.set_compare(60)\n{WORK}", on_step_timer="pass", main_loop="pass")
    ran = run(tmp_path, text, 200, Rotor(10.5, 4000.0), structure="polled", loop_cycles=9)
    assert ran.only("enter", "leave")[1:] == [
        "11 enter on_hall_edge",
        "125 leave on_hall_edge",
        "140 enter on_step_timer",  # 125 + exit 5, a round of 10
        "151 leave on_step_timer",
    ]
