"""The shipped laws on scripted hardware, in every arithmetic they are meant for."""

from itertools import pairwise

import numpy as np
import pytest

from controllers import ports
from controllers.catalogue import law_path
from controllers.lower import compile_law
from tests.controllers.support import Bench, make_binding

TICK_HZ = 2e6
POLE_PAIRS = 2
RPM_TICKS = 60_000_000
DUTY_TOP = 1000
STEP_ARITHMETICS = ("i16", "i32", "q16.16", "q24.8", "f32", "f64")
DUTY_ARITHMETICS = ("i32", "q24.8", "f32", "f64")


def start(law: str, arithmetic: str, command_rpm: float = 20000, **parameters: float) -> Bench:
    """A law after on_start at timer count 100."""
    bench = Bench(compile_law(law_path(law), make_binding(arithmetic, parameters)))
    bench.inputs = {ports.IN_TIMER: 100, ports.IN_COMMAND_RPM: command_rpm}
    bench.call("on_start")
    return bench


def last(bench: Bench, port: str) -> int:
    return [value for name, value in bench.log if name == port][-1]


def turn(bench: Bench, edge: int, steps: int = 5, delay: int = 4) -> int:
    """`steps` steps, then a Hall edge at count `edge`, served `delay` ticks later; the next compare."""
    for _ in range(steps):
        bench.call("on_step_timer")
    bench.inputs[ports.IN_CAPTURED] = edge % 65536
    bench.inputs[ports.IN_TIMER] = (edge + delay) % 65536
    bench.call("on_hall_edge")
    return last(bench, "set_compare")


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
@pytest.mark.parametrize(("law", "duty"), [("open_ramp", 400), ("step_trim", 1000)])
def test_start_sets_duty_step_and_first_compare(law: str, duty: int, arithmetic: str) -> None:
    parameters = {"start_duty": 0.4} if law == "open_ramp" else {}
    bench = start(law, arithmetic, start_step_s=0.001, **parameters)
    assert bench.log == [("set_duty", duty), ("set_step", 0), ("set_compare", 2100)]


@pytest.mark.parametrize("law", ["open_ramp", "step_trim", "duty_pi"])
def test_blind_step_time_is_held_within_half_the_range_of_the_timer(law: str) -> None:
    """Beyond half the range a due step could not be told from one that is overdue."""
    bench = start(law, "i32", start_step_s=0.032)
    first_step = last(bench, "set_compare") - 100
    assert 0 < first_step <= 65535 >> 1
    assert first_step < 0.032 * TICK_HZ


@pytest.mark.parametrize("law", ["open_ramp", "step_trim", "duty_pi"])
def test_step_interrupt_goes_round_and_keeps_the_rhythm(law: str) -> None:
    bench = start(law, "i32", start_step_s=0.004)
    bench.log.clear()
    for _ in range(5):
        bench.call("on_step_timer")
    expected = [(("set_step", k), ("set_compare", (100 + (k + 1) * 8000) % 65536)) for k in (1, 2, 3, 4, 5)]
    assert bench.log == [call for pair in expected for call in pair]
    bench.log.clear()
    bench.call("on_step_timer")
    assert bench.log[0] == ("set_step", 0)


@pytest.mark.parametrize(
    ("law", "handler"),
    [
        ("open_ramp", "on_step_timer"),
        ("step_trim", "on_step_timer"),
        ("step_trim", "on_hall_edge"),
        ("duty_pi", "on_step_timer"),
        ("duty_pi", "on_hall_edge"),
    ],
)
def test_step_is_written_before_any_arithmetic_that_divides(law: str, handler: str) -> None:
    program = compile_law(law_path(law), make_binding("i32"))
    before = program.code[program.handlers[handler] :]
    first_out = next(row for row, columns in enumerate(before) if columns[0] == 2)
    assert before[first_out, 5] == ports.OUT_STEP
    assert first_out <= 3  # the next step's number: add, compare, set to 0


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
def test_step_trim_leads_more_and_more_below_the_command(arithmetic: str) -> None:
    """10,000 rpm where 20,000 are wanted: one nudge of 3 ticks per turn up to the largest lead of 8."""
    bench = start("step_trim", arithmetic, trim_s=1.5e-6, lead_s=4e-6, start_step_s=0.001)
    leads = [bench.value("step_ticks") for n in range(5) if turn(bench, 1000 + 6000 * n)]
    assert all(step < 1000 for step in leads[1:])
    assert [a - b for a, b in pairwise(leads[1:])] == [3, 2, 0]
    assert not bench.faults.any()


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
def test_step_trim_lags_more_and_more_above_the_command(arithmetic: str) -> None:
    """50,000 rpm where 20,000 are wanted: a sixth of a turn, and one nudge of 3 ticks per turn up to 8."""
    bench = start("step_trim", arithmetic, trim_s=1.5e-6, lag_s=4e-6, start_step_s=0.0001)
    steps = [bench.value("step_ticks") for n in range(5) if turn(bench, 1000 + 1200 * n)]
    assert steps[1:] == [203, 206, 208, 208]
    assert not bench.faults.any()


def test_step_trim_of_a_fraction_of_a_tick_needs_a_fraction() -> None:
    """0.65 us are 1.3 ticks: whole numbers add one tick a turn, the others 200 + 1.3 n, cut to ticks."""
    for arithmetic in STEP_ARITHMETICS:
        bench = start("step_trim", arithmetic, trim_s=0.65e-6, start_step_s=0.0001)
        steps = [bench.value("step_ticks") for n in range(5) if turn(bench, 1000 + 1200 * n)]
        whole = [201, 202, 203, 204]
        assert steps[1:] == (whole if arithmetic in ("i16", "i32") else [201, 202, 203, 205])


# steps of 8000 ticks: seven and the eighth up to the edge fit the range of 65536, with one more they may not
@pytest.mark.parametrize("law", ["step_trim", "duty_pi"])
@pytest.mark.parametrize(("steps", "is_trusted"), [(1, False), (2, True), (7, True), (8, False)])
def test_period_is_trusted_only_where_it_fits_the_timer(law: str, steps: int, is_trusted: bool) -> None:
    bench = start(law, "i32", start_step_s=0.004)
    turn(bench, 1000)
    assert bench.value("step_ticks") == 8000
    turn(bench, 7000, steps)
    assert (bench.value("step_ticks") != 8000) == is_trusted


@pytest.mark.parametrize("law", ["step_trim", "duty_pi"])
def test_first_edge_measures_nothing(law: str) -> None:
    bench = start(law, "i32", start_step_s=0.001)
    for _ in range(5):
        bench.call("on_step_timer")
    bench.inputs |= {ports.IN_CAPTURED: 9000, ports.IN_TIMER: 9004}
    bench.call("on_hall_edge")
    assert bench.value("step_ticks") == 2000


@pytest.mark.parametrize("law", ["step_trim", "duty_pi"])
def test_overdue_step_is_made_up_for_instead_of_missed(law: str) -> None:
    """Served later than the step lasts, a compare at edge + step time would wait for a whole wrap."""
    bench = start(law, "i32", start_step_s=0.001, catch_up_s=1e-5)
    turn(bench, 1000)
    assert turn(bench, 7000, delay=5000) == 7000 + 5000 + 20
    assert turn(bench, 13000, delay=990) == 13000 + 990 + 20


def test_count_may_wrap_between_edges() -> None:
    bench = start("duty_pi", "i32", start_step_s=0.001)
    turn(bench, 62000)
    assert turn(bench, 62000 + 6000) == (68000 + 1000) % 65536
    assert not bench.faults.any()


@pytest.mark.parametrize("law", ["step_trim", "duty_pi"])
def test_stall_restarts_with_blind_steps(law: str) -> None:
    bench = start(law, "i32", start_step_s=0.001, stall_steps=12)
    turn(bench, 1000)
    turn(bench, 7000)
    for _ in range(12):
        bench.call("on_step_timer")
    assert bench.value("step_ticks") != 2000
    bench.call("on_step_timer")
    assert bench.value("step_ticks") == 2000
    bench.inputs |= {ports.IN_CAPTURED: 30000, ports.IN_TIMER: 30004}
    bench.call("on_hall_edge")  # ends no period: the count since the restart is not known
    assert bench.value("step_ticks") == 2000


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
@pytest.mark.parametrize("command_rpm", [2000, 20000])
def test_open_ramp_ends_at_the_step_time_of_the_command(arithmetic: str, command_rpm: int) -> None:
    bench = start("open_ramp", arithmetic, command_rpm, start_step_s=0.004, trim_s=1e-5)
    for _ in range(6 * 500):
        bench.call("on_step_timer")
    assert bench.value("step_ticks") == RPM_TICKS // (6 * command_rpm)
    assert not bench.faults.any()


def test_open_ramp_takes_the_time_of_the_closed_form() -> None:
    """t = 3 (T0**2 - T1**2) / d for a trim d per turn (design, section 7), within the last turn."""
    start_ticks, end_ticks, trim_ticks = 8000, 500, 20
    bench = start("open_ramp", "i32", 20000, start_step_s=start_ticks / TICK_HZ, trim_s=trim_ticks / TICK_HZ)
    spent = 0.0
    while bench.value("step_ticks") > end_ticks:
        spent += bench.value("step_ticks")
        bench.call("on_step_timer")
    closed_form = 3 * (start_ticks**2 - end_ticks**2) / trim_ticks
    assert abs(spent - closed_form) <= 6 * start_ticks


def test_open_ramp_slows_down_as_it_speeds_up() -> None:
    bench = start("open_ramp", "i32", 20000, start_step_s=0.004, trim_s=1e-4)
    for _ in range(600):
        bench.call("on_step_timer")
    bench.inputs[ports.IN_COMMAND_RPM] = 10000
    for _ in range(6):
        bench.call("on_step_timer")
    assert bench.value("step_ticks") == 500 + 200
    for _ in range(60):
        bench.call("on_step_timer")
    assert bench.value("step_ticks") == 1000


def test_open_ramp_stands_at_the_longest_step_for_no_command() -> None:
    bench = start("open_ramp", "i32", 0, start_step_s=0.001, trim_s=0.001)
    for _ in range(60):
        bench.call("on_step_timer")
    assert bench.value("step_ticks") == 2000
    assert not bench.faults.any()


def reference_pi(kp: float, ki: float, command: int, periods: list[int]) -> list[int]:
    """The controller of the docstring in real numbers; duty counts cut to whole ones."""
    integral, duties = 300.0, []
    for period in periods:
        error = command - RPM_TICKS // period
        integral = min(max(integral + ki * error, 0.0), float(DUTY_TOP))
        duties.append(int(min(max(kp * error + integral, 0.0), float(DUTY_TOP))))
    return duties


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
    bench = start("duty_pi", arithmetic, 20000, start_duty=0.3, **gains)
    bench.call("on_control_tick")  # speed not known: the integral begins at the start duty
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
    bench = start("duty_pi", arithmetic, 20000, ki_duty_per_rpm_s=0.1)
    bench.call("on_control_tick")
    assert set(run_pi(bench, [period] * 300)[100:]) == {limit}
    # at the commanded speed the proportional part is 0: what shows is the integral, still within the range
    assert run_pi(bench, [3000])[0] == limit
    assert not bench.faults.any()


def test_duty_pi_holds_the_start_duty_until_the_speed_is_known_and_after_a_stall() -> None:
    bench = start("duty_pi", "i32", start_duty=0.25, start_step_s=0.001, stall_steps=10)
    bench.call("on_control_tick")
    assert last(bench, "set_duty") == 250
    turn(bench, 1000)
    turn(bench, 7000)
    bench.call("on_control_tick")
    assert last(bench, "set_duty") != 250
    for _ in range(11):
        bench.call("on_step_timer")
    bench.call("on_control_tick")
    assert last(bench, "set_duty") == 250


def test_duty_pi_commutates_at_exactly_a_sixth_of_the_period() -> None:
    bench = start("duty_pi", "i32", start_step_s=0.001)
    turn(bench, 1000)
    assert turn(bench, 1000 + 6005) == 7005 + 1000


@pytest.mark.parametrize("law", ["step_trim", "duty_pi"])
@pytest.mark.parametrize("timer_bits", [16, 32])
def test_half_range_is_that_of_the_timer(law: str, timer_bits: int) -> None:
    bench = Bench(
        compile_law(law_path(law), make_binding("i32", {"start_step_s": 0.004}, timer_bits=timer_bits))
    )
    top = (1 << timer_bits) - 1
    bench.inputs = {ports.IN_TIMER: top - 10, ports.IN_CAPTURED: top - 20}
    bench.call("on_start")
    bench.call("on_hall_edge")
    assert last(bench, "set_compare") == (top - 20 + 8000) & top
