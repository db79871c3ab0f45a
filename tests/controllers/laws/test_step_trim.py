"""The laws that trim the step time: the trim follows the command, within its limits and the timer's."""

import numpy as np
import pytest
from scipy.integrate import quad

from controllers import ports
from tests.controllers.laws.law_bench import (
    RPM_TICKS,
    STEP_ARITHMETICS,
    hall_edge,
    last,
    running,
    strike,
    turn,
)


def steps_of(law: str, arithmetic: str, period: int, **parameters: float) -> list[int]:
    """Step times after the turn that ends the start and three more."""
    bench, edge = running(law, arithmetic, period, **parameters)
    found = [int(bench.value("step_ticks"))]
    for number in range(1, 4):
        turn(bench, edge + number * period)
        found.append(int(bench.value("step_ticks")))
    assert not bench.faults.any()
    return found


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
def test_step_trim_leads_more_and_more_below_the_command(arithmetic: str) -> None:
    """10,000 rpm where 20,000 are wanted: a sixth of 6000, a sixty-fourth less for the acceleration, and one
    nudge of 3 ticks per turn up to the largest lead of 8."""
    found = steps_of("step_trim", arithmetic, 6000, trim_s=1.5e-6, lead_s=4e-6)
    assert found == [1000 - 93 - lead for lead in (3, 6, 8, 8)]


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
def test_step_trim_lags_more_and_more_above_the_command(arithmetic: str) -> None:
    """50,000 rpm where 20,000 are wanted: a sixth of a turn, and one nudge of 3 ticks per turn up to 8."""
    found = steps_of("step_trim", arithmetic, 1200, trim_s=1.5e-6, lag_s=4e-6)
    assert found == [200 + lag for lag in (3, 6, 8, 8)]


def test_step_trim_of_a_fraction_of_a_tick_needs_a_fraction() -> None:
    """0.65 us are 1.3 ticks: whole numbers add one tick a turn, the others 200 + 1.3 n, cut to ticks."""
    for arithmetic in STEP_ARITHMETICS:
        found = steps_of("step_trim", arithmetic, 1200, trim_s=0.65e-6)
        assert found == ([201, 202, 203, 204] if arithmetic in ("i16", "i32") else [201, 202, 203, 205])


def test_no_step_lasts_longer_than_five_eighths_of_a_turn() -> None:
    """Where the two steps of such a turn nearly brake most. Torque of step s on a rotor at angle a, as a part
    of its amplitude: sin(120 + 60 s - a); summed over a turn in which step 1 takes over at x."""
    found = steps_of("step_trim", "i32", 2400, trim_s=1e-2, lag_s=1e-2)  # 25,000 rpm of 20,000
    assert found == [2400 * 5 // 8] * 4

    def braking(x: float) -> float:
        before, after = (quad(lambda a, s=s: np.sin(np.radians(120 + 60 * s - a)), *ends)[0]
                         for s, ends in ((0, (0, x)), (1, (x, 360))))  # fmt: skip
        return float(np.radians(before + after))

    angles = np.arange(0.0, 361.0, 15.0)
    sums = np.array([braking(x) for x in angles])
    assert sums == pytest.approx(np.cos(np.radians(angles - 60)) - 0.5, abs=1e-9)
    assert angles[sums.argmin()] == 240.0
    assert braking(225.0) < 0.97 * braking(240.0)


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
def test_trim_after_a_command_turns_at_once(arithmetic: str) -> None:
    """No wind-up: the trim stands at its limit, and the first turn above the command takes a nudge off."""
    bench, edge = running("step_trim", arithmetic, trim_s=1.5e-6, lead_s=4e-6)
    for number in range(1, 50):
        turn(bench, edge + 6000 * number)
    assert bench.value("step_ticks") == 1000 - 93 - 8
    bench.inputs[ports.IN_COMMAND_RPM] = 5000
    turn(bench, edge + 6000 * 50)
    assert bench.value("step_ticks") == 1000 - 5


@pytest.mark.parametrize("law", ["step_trim", "trim_then_duty", "free_trim"])
@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
def test_a_lead_above_the_step_time_makes_steps_as_fast_as_they_can_be_caught_up(
    law: str, arithmetic: str
) -> None:
    if law == "trim_then_duty" and arithmetic in ("i16", "q16.16"):
        pytest.skip("256 times the duty does not fit this arithmetic")
    parameters = {"trim_s": 5e-4, "catch_up_s": 2e-5} | ({} if law == "free_trim" else {"lead_s": 5e-4})
    bench, edge = running(law, arithmetic, 1200, command_rpm=60000, **parameters)
    turn(bench, edge + 1200)
    strike(bench, late=3)
    assert last(bench, "set_compare") == (bench.inputs[ports.IN_TIMER] + 40) % 65536
    assert not bench.faults.any()


@pytest.mark.parametrize("arithmetic", STEP_ARITHMETICS)
def test_free_trim_begins_at_the_measured_step_and_nudges_once_a_turn(arithmetic: str) -> None:
    bench, edge = running("free_trim", arithmetic, 6000, trim_s=1.5e-6)
    assert bench.value("step_ticks") == 1000
    compare = last(bench, "set_compare")
    turn(bench, edge + 6000)
    assert bench.value("step_ticks") == 1000 - 3
    assert last(bench, "set_compare") == (compare + 5 * 1000) % 65536  # the edge moves no step
    bench.inputs[ports.IN_COMMAND_RPM] = 5000
    turn(bench, edge + 12000)
    assert bench.value("step_ticks") == 1000
    assert not bench.faults.any()


def test_free_trim_starts_again_in_a_turn_that_does_not_fit_the_timer() -> None:
    """Or nothing would make the steps shorter again, however fast the command."""
    bench, _ = running("free_trim")
    bench.ints[bench.program.statics["step_ticks"]] = 30_000
    for turns in (6, 6, 0):
        strike(bench)
        assert bench.value("turns") == turns


def test_free_trim_takes_no_spike_for_an_edge() -> None:
    bench, edge = running("free_trim")
    before = bench.value("step_ticks")
    for spike in (10, 20, 30):
        hall_edge(bench, edge + spike)
    assert bench.value("step_ticks") == before
    assert bench.value("last_edge") == edge


def test_speed_is_whole_rpm_ticks_over_the_period() -> None:
    """At the command exactly the speed is not below it: the trim falls."""
    for period, sign in ((RPM_TICKS // 20000, 1), (RPM_TICKS // 20000 + 1, -1)):
        found = steps_of("step_trim", "i32", period, trim_s=1e-6, lead_s=1.0e-2)
        assert (found[1] - found[0]) * sign > 0
