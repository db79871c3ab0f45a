"""The open ramp against its closed form."""

import pytest

from controllers import ports
from tests.controllers.laws.law_bench import RPM_TICKS, STEP_ARITHMETICS, TICK_HZ, start, strike


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
def test_start_sets_duty_step_and_first_compare(arithmetic: str) -> None:
    bench = start("open_ramp", arithmetic, start_step_s=0.001, start_duty=0.4)
    assert bench.log == [("set_duty", 400), ("set_step", 0), ("set_compare", 2100)]


def test_step_interrupt_goes_round_and_keeps_the_rhythm() -> None:
    bench = start("open_ramp", start_step_s=0.004)
    for k in (1, 2, 3, 4, 5):
        bench.log.clear()
        strike(bench, late=30)
        assert bench.log == [("set_step", k), ("set_compare", (100 + (k + 1) * 8000) % 65536)]


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
@pytest.mark.parametrize("command_rpm", [2000, 20000])
def test_open_ramp_ends_at_the_step_time_of_the_command(arithmetic: str, command_rpm: int) -> None:
    bench = start("open_ramp", arithmetic, command_rpm, start_step_s=0.004, trim_s=1e-5)
    for _ in range(6 * 500):
        strike(bench)
    assert bench.value("step_ticks") == RPM_TICKS // (6 * command_rpm)
    assert not bench.faults.any()


def test_open_ramp_takes_the_time_of_the_closed_form() -> None:
    """t = 3 (T0**2 - T1**2) / d for a trim d per turn (design, section 7), within the last turn."""
    start_ticks, end_ticks, trim_ticks = 8000, 500, 20
    bench = start("open_ramp", "i32", 20000, start_step_s=start_ticks / TICK_HZ, trim_s=trim_ticks / TICK_HZ)
    spent = 0.0
    while bench.value("step_ticks") > end_ticks:
        spent += bench.value("step_ticks")
        strike(bench)
    closed_form = 3 * (start_ticks**2 - end_ticks**2) / trim_ticks
    assert abs(spent - closed_form) <= 6 * start_ticks


def test_open_ramp_slows_down_as_it_speeds_up() -> None:
    bench = start("open_ramp", "i32", 20000, start_step_s=0.004, trim_s=1e-4)
    for _ in range(600):
        strike(bench)
    bench.inputs[ports.IN_COMMAND_RPM] = 10000
    for _ in range(6):
        strike(bench)
    assert bench.value("step_ticks") == 500 + 200
    for _ in range(60):
        strike(bench)
    assert bench.value("step_ticks") == 1000


def test_open_ramp_keeps_the_first_step_time_without_a_command() -> None:
    bench = start("open_ramp", "i32", 0, start_step_s=0.001, trim_s=0.001)
    for _ in range(120):
        strike(bench)
    assert bench.value("step_ticks") == 2000
    assert not bench.faults.any()
