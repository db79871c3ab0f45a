"""What happens when several things fall on one cycle: the order that sim/loop/spin.py documents."""

from pathlib import Path

import pytest

from controllers.opcodes import IN, MUL, OUT, RET
from sim.processor.records import TRACE_COLUMNS
from tests.processor.harness import WORK, Rotor, law, run


def priced(work_cycles: int) -> dict[int, int]:
    """The usual prices, with work of another length, so that the access after it falls on a cycle chosen."""
    return {OUT: 3, IN: 2, RET: 1, MUL: work_cycles}


def test_edge_match_tick_pwm_and_access_of_one_cycle_are_handled_in_this_order(tmp_path: Path) -> None:
    text = law(
        on_start=f"hw.set_duty(50)\nhw.set_compare(100)\n{WORK}\nhw.set_step(1)",
        on_step_timer="pass", on_hall_edge="pass", on_control_tick="pass",
    )  # fmt: skip
    # Writes at 3 and 6, work of 91 until 97, the step at 100; the PWM period is 100 cycles.
    ran = run(tmp_path, text, 105, Rotor(99.5, 400.0), cost=priced(91), control_cycles=100)
    assert ran.log == [
        "3 write duty 50",
        "6 write compare 100",
        "100 hall rise captured 100",
        "100 match count 100",
        "100 tick",
        "100 pwm on",
        "100 write step 1",
        "101 leave on_start",
        "101 enter on_step_timer",
    ]


@pytest.mark.parametrize(("port", "value"), [("hall", 1), ("captured", 100), ("timer", 100)])
def test_an_access_sees_the_hardware_as_it_stands_at_the_end_of_its_cycle(
    tmp_path: Path, port: str, value: int
) -> None:
    target = "n" if port == "hall" else "seen"
    text = law(on_start=f"{WORK}\nself.{target} = hw.{port}()")
    ran = run(tmp_path, text, 200, Rotor(99.5, 400.0), cost=priced(98))  # 98 + IN 2
    assert ran.only("read") == [f"100 read {port} {value}"]


def test_a_compare_rewritten_at_the_cycle_of_its_match_comes_too_late_to_stop_it(tmp_path: Path) -> None:
    text = law(on_start=f"hw.set_compare(40)\n{WORK}\nhw.set_compare(50)", on_step_timer="pass")
    ran = run(tmp_path, text, 60, cost=priced(34))  # 3 + 34 + 3 = 40
    assert ran.only("match", "write") == [
        "3 write compare 40",
        "40 match count 40",
        "40 write compare 50",
        "50 match count 50",
    ]


def test_a_compare_rewritten_one_cycle_before_its_match_stops_it(tmp_path: Path) -> None:
    text = law(on_start=f"hw.set_compare(40)\n{WORK}\nhw.set_compare(50)", on_step_timer="pass")
    ran = run(tmp_path, text, 60, cost=priced(33))
    assert ran.only("match") == ["50 match count 50"]


def test_a_duty_written_at_the_start_of_a_period_waits_for_the_next(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start=f"{WORK}\nhw.set_duty(30)"), 250, cost=priced(97))  # 97 + OUT 3
    assert ran.only("duty", "pwm") == ["100 write duty 30", "200 pwm on", "230 pwm off"]


def test_a_sample_shows_the_duty_of_the_period_that_begins_with_it(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_duty(30)"), 250, sample_cycles=100, trace_rows=5)
    assert list(ran.trace[:, TRACE_COLUMNS.index("duty")]) == [0.3, 0.3]


def test_a_handler_that_ends_when_the_next_event_comes_hands_over_at_once(tmp_path: Path) -> None:
    # The step handler gives the processor back at 40 + 10 + 1 + 5 = 56, where the edge is seen.
    text = law(on_start="hw.set_compare(40)", on_step_timer="pass", on_hall_edge="pass")
    ran = run(tmp_path, text, 100, Rotor(55.5, 400.0))
    assert ran.only("enter") == ["40 enter on_step_timer", "56 enter on_hall_edge"]


@pytest.mark.parametrize(("end_cycle", "seen"), [(40, []), (41, ["40 match count 40"])])
def test_nothing_is_done_at_the_cycle_at_which_the_run_ends(
    tmp_path: Path, end_cycle: int, seen: list[str]
) -> None:
    ran = run(tmp_path, law(on_start="hw.set_compare(40)"), end_cycle)
    assert ran.only("match") == seen
    assert ran.count("now") == end_cycle
