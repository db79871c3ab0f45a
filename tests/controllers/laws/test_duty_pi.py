"""The duty controllers: the PI law in real numbers, its limits, its start, the hand-over, three sensors."""

import numpy as np
import pytest

from controllers import ports
from tests.controllers.laws.law_bench import (
    DUTY_ARITHMETICS,
    DUTY_TOP,
    RPM_TICKS,
    START_TURNS,
    hall_edge,
    last,
    running,
    start,
    strike,
    turn,
)
from tests.controllers.support import Bench


def reference_pi(kp: float, ki: float, command: int, periods: list[int]) -> list[int]:
    """The controller of the docstring in real numbers; duty counts cut to whole ones."""
    integral, duties = 300.0, []
    for period in periods:
        error = command - RPM_TICKS // period
        wanted = kp * error + integral
        duties.append(int(min(max(wanted, 0.0), float(DUTY_TOP))))
        if 0.0 <= wanted <= DUTY_TOP:
            integral = min(max(integral + ki * error, 0.0), float(DUTY_TOP))
    return duties


def begin_at(bench: Bench, command_rpm: int) -> None:
    """A control tick with the speed not known."""
    bench.ints[bench.program.statics["turns"]] = 0
    asked_rpm = bench.inputs[ports.IN_COMMAND_RPM]
    bench.inputs[ports.IN_COMMAND_RPM] = command_rpm
    bench.call("on_control_tick")
    bench.inputs[ports.IN_COMMAND_RPM] = asked_rpm
    bench.ints[bench.program.statics["turns"]] = START_TURNS


def run_pi(bench: Bench, periods: list[int]) -> list[int]:
    duties = []
    for period in periods:
        bench.ints[bench.program.statics["period"]] = period
        bench.call("on_control_tick")
        duties.append(last(bench, "set_duty"))
    return duties


# counts of 1000: the float forms agree with the real numbers; the whole numbers lose up to one count in
# each of the two terms, q24.8 holds kp = 0.1 counts/rpm as 0.1016 (1.6 percent of up to 100 counts)
@pytest.mark.parametrize(
    ("arithmetic", "tolerance_counts"), [("f64", 1), ("f32", 1), ("i32", 2), ("q24.8", 18)]
)
def test_duty_pi_follows_the_controller_in_real_numbers(arithmetic: str, tolerance_counts: int) -> None:
    draw = np.random.default_rng(5)
    periods = [int(p) for p in draw.integers(2900, 3100, size=200)]
    gains = {"kp_duty_per_rpm": 1e-4, "ki_duty_per_rpm_s": 1e-3}
    bench, _ = running("duty_pi", arithmetic, command_rpm=20000, start_duty=0.3, **gains)
    begin_at(bench, 0)  # no error: the integral begins at the start duty
    expected = reference_pi(0.1, 1e-3, 20000, periods)
    found = run_pi(bench, periods)
    assert max(abs(a - b) for a, b in zip(found, expected, strict=True)) <= tolerance_counts
    assert not bench.faults.any()


@pytest.mark.parametrize("arithmetic", DUTY_ARITHMETICS)
@pytest.mark.parametrize(
    ("period", "limit"),
    [(60000, DUTY_TOP), (1000, 0)],  # 1,000 rpm: full duty; 60,000 rpm: none
    ids=["slow", "fast"],
)
def test_duty_stays_within_its_range_and_the_integral_does_not_wind_up(
    arithmetic: str, period: int, limit: int
) -> None:
    bench, _ = running("duty_pi", arithmetic, command_rpm=20000, ki_duty_per_rpm_s=0.1, start_duty=0.5)
    begin_at(bench, 0)
    assert set(run_pi(bench, [period] * 300)) == {limit}
    # at the commanded speed the proportional part is 0: what shows is the integral, where it was
    assert run_pi(bench, [3000])[0] == DUTY_TOP // 2
    assert not bench.faults.any()


@pytest.mark.parametrize("arithmetic", DUTY_ARITHMETICS)
@pytest.mark.parametrize(
    ("command_rpm", "integral"), [(2000, 300), (20000, 0)], ids=["what is left", "not below zero"]
)
def test_the_integral_begins_without_the_proportional_part(
    arithmetic: str, command_rpm: int, integral: int
) -> None:
    """500 counts at the start, 0.1 counts/rpm: 200 for 2,000 rpm. Without an error the integral shows."""
    gains = {"kp_duty_per_rpm": 1e-4, "ki_duty_per_rpm_s": 1e-3}
    bench, _ = running("duty_pi", arithmetic, command_rpm=20000, start_duty=0.5, **gains)
    begin_at(bench, command_rpm)
    assert last(bench, "set_duty") == 500
    # q24.8 holds 0.1 counts/rpm as 0.1016: 203 counts
    assert run_pi(bench, [3000])[0] == pytest.approx(integral, abs=4)
    assert not bench.faults.any()


def test_duty_pi_holds_the_start_duty_until_the_speed_is_known_and_after_a_stall() -> None:
    bench = start("duty_pi", start_duty=0.25)
    bench.call("on_control_tick")
    assert last(bench, "set_duty") == 250
    bench, _ = running("duty_pi", start_duty=0.25, stall_steps=10)
    bench.call("on_control_tick")
    assert last(bench, "set_duty") != 250
    for _ in range(11):
        strike(bench)
    bench.call("on_control_tick")
    assert last(bench, "set_duty") == 250


def test_duty_pi_commutates_at_exactly_a_sixth_of_the_period() -> None:
    bench, edge = running("duty_pi", period=6005)
    assert turn(bench, edge + 6005) == edge + 6005 + 1000


@pytest.mark.parametrize("arithmetic", DUTY_ARITHMETICS)
def test_trim_hands_over_near_the_command_without_a_jump_and_takes_back_below(arithmetic: str) -> None:
    bench, edge = running("trim_then_duty", arithmetic, command_rpm=10501, handover_rpm=500, trim_s=1e-6)
    bench.call("on_control_tick")
    bench.inputs[ports.IN_COMMAND_RPM] = 10500
    bench.call("on_control_tick")
    assert last(bench, "set_duty") >= DUTY_TOP - 3  # what the error gives less, and what each term loses
    turn(bench, edge + 6000)
    assert bench.value("step_ticks") == 1000  # no trim under the duty controller
    bench.inputs[ports.IN_COMMAND_RPM] = 10600
    bench.call("on_control_tick")
    assert last(bench, "set_duty") == DUTY_TOP
    turn(bench, edge + 12000)
    assert bench.value("step_ticks") == 1000 - 2
    assert not bench.faults.any()


CODES = (5, 1, 3, 2, 6, 4)  # first + 2 * second + 4 * third level in the six sixths of a turn


@pytest.mark.parametrize("arithmetic", DUTY_ARITHMETICS)
def test_three_sensors_name_the_step_and_one_whole_turn_is_measured(arithmetic: str) -> None:
    """Sensors out of place by up to 500 ticks: the period of a whole turn does not see it."""
    bench = start("duty_pi_three", arithmetic)
    misplaced = (0, 500, -300, 250, -500, 100)
    steps, periods = [], []
    for number in range(2, 19):  # the rotor stands in the second sixth
        bench.inputs[ports.IN_HALL] = CODES[number % 6]
        hall_edge(bench, 1000 * number + misplaced[number % 6])
        steps.append(last(bench, "set_step"))
        periods.append(bench.value("period"))
    assert steps == [number % 6 for number in range(2, 19)]
    assert set(periods[:6]) == {0}
    assert set(periods[6:]) == {6000}
    assert not bench.faults.any()


def test_three_sensors_know_the_step_at_standstill() -> None:
    for step, code in enumerate(CODES):
        bench = start("duty_pi_three")
        bench.inputs[ports.IN_HALL] = code
        strike(bench)
        assert last(bench, "set_step") == step


def test_codes_that_do_not_occur_and_edges_without_a_change_are_spikes() -> None:
    bench = start("duty_pi_three")
    hall_edge(bench, 1000)
    before = len(bench.log), bench.value("edges")
    for code in (0, 7, CODES[1]):
        bench.inputs[ports.IN_HALL] = code
        bench.call("on_hall_edge")
    assert bench.value("edges") == before[1]
    assert all(value == 1 for port, value in bench.log[before[0] :] if port == "set_step")


def test_a_sixth_of_the_longest_turn_without_an_edge_means_that_the_speed_is_not_known() -> None:
    bench = start("duty_pi_three", start_duty=0.25)
    for number in range(2, 10):
        bench.inputs[ports.IN_HALL] = CODES[number % 6]
        watch = hall_edge(bench, 1000 * number)
        assert watch == 1000 * number + (65535 - 1023) // 6
    assert bench.value("period") == 6000
    strike(bench)
    assert bench.value("period") == 0


@pytest.mark.parametrize(
    ("step", "delay", "is_known"),
    [(10_700, 700, True), (10_926, 4, False), (11_500, 700, False), (13_000, 4, False)],
)
def test_a_turn_of_three_sensors_that_does_not_fit_the_timer_is_no_short_one(
    step: int, delay: int, is_known: bool
) -> None:
    """Six steps of 10,926 ticks are 65,556, of which the timer of 16 bits keeps 20."""
    bench = start("duty_pi_three")
    for number in range(2, 20):
        bench.inputs[ports.IN_HALL] = CODES[number % 6]
        watch = hall_edge(bench, step * number, delay)
        if (watch - step * number) % 65536 < step:
            bench.inputs[ports.IN_TIMER] = watch
            bench.call("on_step_timer")
    assert (bench.value("period") > 0) == is_known
    assert bench.value("period") in (0, 6 * step)
