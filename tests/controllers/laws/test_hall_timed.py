"""What the laws with one Hall sensor share: start by level, edges that count, stall, overdue steps."""

import pytest

from controllers import ports
from controllers.opcodes import DIV, OUT
from tests.controllers.laws.law_bench import (
    ANCHORED,
    ONE_HALL,
    START_TURNS,
    hall_edge,
    last,
    rotate,
    running,
    start,
    strike,
    turn,
)
from tests.controllers.support import Bench


@pytest.mark.parametrize("law", ONE_HALL)
def test_start_looks_at_the_level_and_steps_where_it_pulls_on(law: str) -> None:
    """Step 1 pulls on from 0 to 180 degrees, where the level is high; step 4 does where it is low."""
    bench = start(law, start_look_s=0.001)
    assert last(bench, "set_compare") == 100 + 2000
    for level, step in ((1, 1), (0, 4), (1, 1)):
        bench.inputs[ports.IN_HALL] = level
        strike(bench)
        assert last(bench, "set_step") == step


@pytest.mark.parametrize(("level", "pull"), [(1, 1), (0, 4)])
@pytest.mark.parametrize("law", ONE_HALL)
def test_a_level_that_stays_for_many_looks_is_kicked_twice_ahead_and_twice_behind(
    law: str, level: int, pull: int
) -> None:
    bench = start(law)
    bench.inputs[ports.IN_HALL] = level
    ahead, behind = ([pull] * 150 + [kick] * 106 for kick in (pull + 1, pull - 1))
    assert looks(bench, 5 * 256) == ahead + ahead + behind + behind + ahead
    assert not bench.faults.any()


@pytest.mark.parametrize("law", ONE_HALL)
def test_a_change_of_the_level_ends_a_kick(law: str) -> None:
    """Falling it is found by a look, rising it makes an edge."""
    bench = start(law)
    assert looks(bench, 160)[-10:] == [2] * 10
    bench.inputs[ports.IN_HALL] = 0
    assert looks(bench, 160) == [4] * 150 + [5] * 10
    bench.inputs[ports.IN_HALL] = 1
    hall_edge(bench, int(bench.inputs[ports.IN_TIMER]))
    assert last(bench, "set_step") == 0
    assert looks(bench, 160) == [1] * 150 + [0] * 10


def looks(bench: Bench, number: int) -> list[int]:
    """The steps of so many looks at the level."""
    steps = []
    for _ in range(number):
        strike(bench)
        steps.append(last(bench, "set_step"))
    return steps


@pytest.mark.parametrize("law", ONE_HALL)
def test_steps_are_timed_after_six_turns(law: str) -> None:
    bench = start(law)
    edge = 1000
    turn(bench, edge)
    # where the main loop works out the step time, it ends the start as soon as it has one: a turn earlier
    needed = START_TURNS - (law == "step_trim_background")
    for number in range(needed):
        assert bench.value("turns") == number
        edge += 6000
        turn(bench, edge)
    assert bench.value("turns") == START_TURNS
    bench.log.clear()
    for _ in range(7):
        strike(bench)
    assert [value for port, value in bench.log if port == "set_step"] == [1, 2, 3, 4, 5, 0, 1]


# looks of 1000 ticks: 64 of them fit the range of 65536 and one more of the same length, 65 do not
@pytest.mark.parametrize(("looks", "is_measured"), [(1, True), (64, True), (65, False)])
@pytest.mark.parametrize("law", ONE_HALL)
def test_a_turn_counts_only_where_it_fits_the_timer(law: str, looks: int, is_measured: bool) -> None:
    bench = start(law, start_look_s=0.0005)
    turn(bench, 1000, 1)
    assert bench.value("turns") == 0  # since the start: how long ago is not known
    turn(bench, 7000, looks)
    assert bench.value("turns") == is_measured


@pytest.mark.parametrize("law", ANCHORED)
def test_a_short_count_with_the_timer_half_spent_ends_no_turn(law: str) -> None:
    """Two looks of 20,000 ticks, the third due but not served: the timer has wrapped, 71,536 ticks show as
    6000."""
    bench = start(law, start_look_s=0.01)
    turn(bench, 1000, 1)
    turn(bench, 1000 + 71536, steps=2)
    assert bench.value("room") == 65535 - 1023
    assert bench.value("turns") == 0
    turn(bench, 1000 + 71536 + 26000, steps=1)
    assert bench.value("turns") == 1


@pytest.mark.parametrize("law", ANCHORED)
def test_a_turn_that_leaves_room_for_less_than_a_step_is_measured(law: str) -> None:
    """Two steps of 25,000 ticks, the third not due yet: 60,000 ticks are no fewer, however slow the steps are
    for the rotor."""
    bench, edge = running(law, period=6000)
    bench.ints[bench.program.statics["step_ticks"]] = 25_000
    bench.ints[bench.program.statics["compare"]] = (edge + 25_000) % 65536
    turn(bench, edge + 60_000, steps=2)
    assert bench.value("period") == 60_000


@pytest.mark.parametrize("part", [0.5, 0.9, 1.0, 1.3, 3.0, 4.0, 5.3])
@pytest.mark.parametrize("law", ANCHORED)
def test_a_step_as_long_as_the_turn_is_measured_again(law: str, part: float) -> None:
    """The level is seen by few steps then, or by none, until a stall or a turn that does not count is found
    and the law looks every half millisecond. In the end the step is a sixth of the turn, less at most what
    the laws that trim take off: a sixty-fourth of the turn, and 10 us a turn."""
    bench, edge = running(law, period=6000)
    bench.ints[bench.program.statics["step_ticks"]] = int(part * 6000)
    stall_turns = 19 * max(1.0, part)
    edge = rotate(bench, edge, 6000, int(stall_turns) + 2 * START_TURNS)
    assert bench.value("turns") == START_TURNS
    assert 1000 - 93 - 20 * 2 * START_TURNS <= bench.value("step_ticks") <= 1000
    bench.log.clear()
    rotate(bench, edge, 6000, 1)
    assert [value for port, value in bench.log if port == "set_step"][:5] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("law", ANCHORED)
def test_in_a_turn_that_does_not_fit_the_timer_the_motor_is_started_again(law: str) -> None:
    """Steps of about 6000 ticks, long before 18 of them without an edge."""
    bench, _ = running(law, period=36000)
    step_ticks = int(bench.value("step_ticks"))
    for _ in range((65535 - 1023) // step_ticks):
        strike(bench)
    assert bench.value("turns") == START_TURNS
    strike(bench)
    assert (bench.value("turns"), bench.value("period")) == (0, 0)


@pytest.mark.parametrize("law", ANCHORED)
def test_a_count_no_longer_than_a_step_starts_the_motor_again(law: str) -> None:
    """The second compare was missed: the timer has wrapped, 66,036 ticks show as 500."""
    bench, edge = running(law, period=6000)
    turn(bench, edge + 65536 + 500, steps=1)
    strike(bench)
    assert (bench.value("turns"), bench.value("period")) == (0, 0)


@pytest.mark.parametrize("period", [57000, 58000, 60000, 64000])
@pytest.mark.parametrize("law", ANCHORED)
def test_a_slow_turn_that_the_timer_holds_does_not_start_the_motor_again(law: str, period: int) -> None:
    bench, edge = running(law, period=period)
    for _ in range(50):
        edge = rotate(bench, edge, period, 1)
        assert bench.value("turns") == START_TURNS


@pytest.mark.parametrize("law", ANCHORED)
def test_an_edge_before_which_no_step_found_the_level_low_is_a_spike(law: str) -> None:
    bench, edge = running(law)
    bench.log.clear()
    for _ in range(2):
        compare = strike(bench)
        hall_edge(bench, compare - 1)  # captured before the step, served after it
        hall_edge(bench, compare + 500)
    assert ("set_step", 0) not in bench.log
    assert bench.value("last_edge") == edge
    turn(bench, edge + 3000, steps=1)
    assert ("set_step", 0) in bench.log
    assert bench.value("last_edge") == edge + 3000


@pytest.mark.parametrize(("late", "counts"), [(0, False), (1, True)])
@pytest.mark.parametrize("law", ANCHORED)
def test_an_edge_after_a_compare_that_was_missed_counts(law: str, late: int, counts: bool) -> None:
    """No step could look at the level."""
    bench, edge = running(law)
    strike(bench)
    missed = int(bench.value("compare"))
    hall_edge(bench, missed + late)
    assert bench.value("last_edge") == (missed + late if counts else edge)


@pytest.mark.parametrize("law", ONE_HALL)
def test_spikes_at_rest_start_nothing(law: str) -> None:
    """The rotor stands where the level is high; a false pulse comes between any two looks."""
    bench = start(law, start_look_s=0.001)
    for number in range(20):
        strike(bench)
        hall_edge(bench, 2500 + 2000 * number)
    assert bench.value("turns") == 0
    assert not bench.faults.any()


@pytest.mark.parametrize("part", [0.38, 0.5, 0.7])
@pytest.mark.parametrize("law", ANCHORED)
def test_a_turn_that_is_suddenly_short_is_followed(law: str, part: float) -> None:
    """Down to three eighths of the last one a step still falls into the low half of the turn."""
    bench, edge = running(law, period=6000)
    period = int(part * 6000)
    edge = rotate(bench, edge, period, 1)
    assert bench.value("last_edge") == edge
    assert period / 6 - period / 64 - 2 * 20 <= bench.value("step_ticks") <= period / 6  # two turns of trim


@pytest.mark.parametrize("law", ANCHORED)
def test_an_edge_whose_level_is_gone_when_served_in_time_is_a_spike(law: str) -> None:
    bench, edge = running(law)
    bench.inputs[ports.IN_HALL] = 0
    step_ticks = bench.value("step_ticks")
    turn(bench, edge + 5000, delay=step_ticks - 1)
    assert bench.value("last_edge") == edge
    # served later than a step after the edge the level says nothing: the half turn may be over
    hall_edge(bench, edge + 6000, delay=step_ticks)
    assert bench.value("last_edge") == edge + 6000


@pytest.mark.parametrize("law", ONE_HALL)
def test_a_stall_starts_again_by_the_level(law: str) -> None:
    bench, _ = running(law, stall_steps=12, start_look_s=0.001)
    for _ in range(12):
        strike(bench)
    assert bench.value("turns") == START_TURNS
    strike(bench)
    assert bench.value("turns") == 0
    strike(bench)
    assert last(bench, "set_step") == 1
    assert bench.value("step_ticks") == 2000
    hall_edge(bench, 30000)  # ends no period: the count since the restart is not known
    assert bench.value("turns") == 0


@pytest.mark.parametrize("law", ANCHORED)
def test_overdue_step_is_made_up_for_instead_of_missed(law: str) -> None:
    """Served later than the step lasts, a compare at edge + step time would wait for a whole wrap."""
    bench, edge = running(law, catch_up_s=1e-5)
    assert turn(bench, edge + 6000, delay=5000) == edge + 6000 + 5000 + 20
    assert turn(bench, edge + 12000, delay=990) == edge + 12000 + 990 + 20


@pytest.mark.parametrize("law", ONE_HALL)
def test_step_timer_served_late_does_not_set_a_compare_in_the_past(law: str) -> None:
    bench, edge = running(law, catch_up_s=1e-5)
    due = int(bench.value("compare"))
    strike(bench, late=5000)
    assert last(bench, "set_compare") == (due + 5000 + 20) % 65536
    del edge


@pytest.mark.parametrize("law", ANCHORED)
def test_a_call_asked_for_before_the_edge_moved_the_compare_only_sets_it_again(law: str) -> None:
    """The old turn's timer struck while the edge waited: its flag is still up when the new turn is ready."""
    bench, edge = running(law)
    due = bench.value("compare")
    bench.log.clear()
    bench.inputs[ports.IN_TIMER] = (edge + 30) % 65536
    bench.call("on_step_timer")
    assert bench.log == [("set_compare", due)]


@pytest.mark.parametrize("law", ONE_HALL)
@pytest.mark.parametrize(
    ("timer_bits", "ahead", "wait"), [(16, 1000, 1000), (32, 499_900, 499_900), (32, 500_100, 40)]
)
def test_a_disturbed_compare_is_set_again_no_further_than_the_longest_step(
    law: str, timer_bits: int, ahead: int, wait: int
) -> None:
    """At rest no edge sets it. The longest step is a sixth of a turn at 20 rpm, 0.25 s for two pole pairs:
    500,000 ticks, but on the narrow timer, whose half range is less. 40 ticks: the catch-up of 20 us."""
    bench = start(law, timer_bits=timer_bits)
    struck = bench.inputs[ports.IN_TIMER] = int(bench.value("compare"))
    bench.ints[bench.program.statics["compare"]] += ahead
    bench.log.clear()
    bench.call("on_step_timer")
    assert bench.log == [("set_compare", struck + wait)]


@pytest.mark.parametrize("law", ANCHORED)
def test_count_may_wrap_between_edges(law: str) -> None:
    bench, edge = running(law, period=5001)
    while edge + 5001 < 65536:
        edge += 5001
        turn(bench, edge)
    period = bench.value("period")
    turn(bench, edge + 5001)
    assert bench.value("period") == period == 5001
    assert not bench.faults.any()


@pytest.mark.parametrize("law", ONE_HALL)
@pytest.mark.parametrize("timer_bits", [16, 32])
def test_look_time_is_held_within_half_the_range_of_the_timer(law: str, timer_bits: int) -> None:
    """Beyond half the range a due step could not be told from one that is overdue."""
    bench = start(law, timer_bits=timer_bits, start_look_s=0.01)
    top = (1 << timer_bits) - 1
    assert last(bench, "set_compare") - 100 == min(20000, top >> 1)


@pytest.mark.parametrize("handler", ["on_step_timer", "on_hall_edge"])
@pytest.mark.parametrize("law", ANCHORED)
def test_step_is_written_before_any_division(law: str, handler: str) -> None:
    program = start(law).program
    rows = program.code[program.handlers[handler] :]
    first_out = next(n for n, row in enumerate(rows) if row[0] == OUT and row[5] != ports.OUT_MASK)
    assert rows[first_out, 5] == ports.OUT_STEP
    assert DIV not in rows[:first_out, 0]
