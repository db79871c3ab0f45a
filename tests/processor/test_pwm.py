"""The PWM: when a duty acts, its edges, and what they do to the switches. The period is 100 cycles."""

from pathlib import Path

import pytest

from sim.plant.records import HIGH, LOW, OFF
from sim.processor.records import NEVER
from tests.processor.harness import STEP_OFF, law, run


def at(match: int, statement: str) -> dict[str, str]:
    """A start handler that sets the compare, and a step handler whose first write comes 13 cycles (10 + 3)
    after it."""
    return {"on_start": f"hw.set_duty(30)\nhw.set_compare({match})", "on_step_timer": statement}


def test_a_duty_written_mid_period_acts_from_the_next_and_is_on_for_its_counts(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_duty(30)"), 350)
    assert ran.log == [
        "3 write duty 30",
        "4 leave on_start",
        "100 pwm on",
        "130 pwm off",
        "200 pwm on",
        "230 pwm off",
        "300 pwm on",
        "330 pwm off",
    ]


def test_a_count_of_several_cycles_stretches_period_and_on_time(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_duty(30)"), 650, pwm_count_cycles=3)
    assert ran.only("pwm") == ["300 pwm on", "390 pwm off", "600 pwm on"]


def test_a_change_within_the_on_time_leaves_that_on_time_as_it_was(tmp_path: Path) -> None:
    ran = run(tmp_path, law(**at(100, "hw.set_duty(80)")), 300)
    assert ran.only("pwm", "duty") == [
        "3 write duty 30",
        "100 pwm on",
        "113 write duty 80",
        "130 pwm off",
        "200 pwm on",
        "280 pwm off",
    ]


def test_of_two_duties_written_in_one_period_the_last_acts(tmp_path: Path) -> None:
    ran = run(tmp_path, law(**at(140, "hw.set_duty(80)\nhw.set_duty(10)")), 300)
    assert ran.only("pwm") == ["100 pwm on", "130 pwm off", "200 pwm on", "210 pwm off"]


def test_duty_0_is_never_on(tmp_path: Path) -> None:
    assert run(tmp_path, law(on_start="hw.set_duty(0)"), 1000).only("pwm") == []


def test_a_duty_put_back_to_0_before_its_period_begins_is_never_on(tmp_path: Path) -> None:
    assert run(tmp_path, law(on_start="hw.set_duty(30)\nhw.set_duty(0)"), 1000).only("pwm") == []


@pytest.mark.parametrize("duty", [100, 101, 65535])
def test_a_duty_of_the_whole_period_or_more_is_never_off_and_has_no_further_edges(
    tmp_path: Path, duty: int
) -> None:
    ran = run(tmp_path, law(on_start=f"self.x = {duty}\nhw.set_duty(self.x)"), 1000)
    assert ran.only("pwm") == ["100 pwm on"]
    assert ran.count("duty_now") == 100
    assert ran.count("pwm_edge") == NEVER


def test_from_full_duty_back_to_a_part_the_next_period_ends_its_on_time(tmp_path: Path) -> None:
    text = law(on_start="hw.set_duty(100)\nhw.set_compare(250)", on_step_timer="hw.set_duty(30)")
    ran = run(tmp_path, text, 450)
    assert ran.only("pwm", "duty") == [
        "3 write duty 100",
        "100 pwm on",
        "263 write duty 30",
        "330 pwm off",  # on since 100 without a break
        "400 pwm on",
        "430 pwm off",
    ]


def test_from_a_part_to_0_the_period_that_runs_is_the_last_with_an_edge(tmp_path: Path) -> None:
    ran = run(tmp_path, law(**at(200, "hw.set_duty(0)")), 1000)
    assert ran.only("pwm") == ["100 pwm on", "130 pwm off", "200 pwm on", "230 pwm off"]


def test_writing_the_duty_that_is_on_changes_nothing(tmp_path: Path) -> None:
    once = run(tmp_path, law(**at(250, "hw.set_step(0)")), 1000)
    again = run(tmp_path, law(**at(250, "hw.set_duty(30)")), 1000)
    assert again.only("pwm") == once.only("pwm")


@pytest.mark.parametrize(
    ("end_cycle", "legs"), [(100, [OFF, LOW, OFF]), (101, [HIGH, LOW, OFF]), (131, [OFF, LOW, OFF])]
)
def test_the_pwm_chops_the_high_switch_of_the_step(tmp_path: Path, end_cycle: int, legs: list[int]) -> None:
    # Step 0: A high, B low; high-side chopping opens A's switch in the off time.
    ran = run(tmp_path, law(on_start="hw.set_duty(30)\nhw.set_step(0)"), end_cycle)
    assert list(ran.state["leg"]) == legs


def test_with_all_switches_off_the_pwm_chops_nothing(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start=f"hw.set_duty(30)\nhw.set_step({STEP_OFF})"), 110)
    assert list(ran.state["leg"]) == [OFF, OFF, OFF]
    assert ran.state["pwm_on"] == 1
