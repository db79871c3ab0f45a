"""Properties of a law as a controller: sign, standing error and swing, distance from exact arithmetic. Each
judgement takes a scenario and returns what is wrong with it, or None."""

from typing import Any, Final

import numpy as np

from controllers.check.bench.records import EDGES
from controllers.check.relations import SETTLING_TURNS, Wrong, wrong_at
from controllers.check.scenario import Scenario, drive, edges
from controllers.check.space import RUN_UP_EDGES, TOP_RPM, Choices, Space, run_up, slowest_turn
from controllers.check.subject import Subject
from controllers.check.traces import Trace, trace_of

EXACT_TURN_PART: Final = 0.01
"""Fixed point and f64, both with the parameters as fixed point holds them, may place a step this part of a
turn apart, besides a tick for each of its six steps: 3.6 electrical degrees, a quarter of what counts as
late."""
STEPS: Final = 6
EXACT_DUTY_PART: Final = 0.02
"""And set duties this part of full duty apart: the smallest tolerance on speed that designs state, 2 %."""
ERROR_PART: Final = 0.02
"""Standing error allowed besides what the format explains: the same tolerance."""
SWING_PART: Final = 0.05
"""Swing of the speed allowed besides, between the slowest and the fastest turn (our own convention)."""
FORMAT_COUNTS: Final = 3.0
"""Counts of step timer, of rpm and of PWM that the format explains: one for rounding, one for the count that
is rounded, one for the law's own smallest change."""
_LEAST_OFF: Final = 0.02
_MOST_OFF: Final = 0.5
_PARTS: Final = 100
_DRIVEN_LAGS: Final = 12
_COMMAND_PARTS: Final = (0.3, 0.7)
"""Commands as parts of the no-load speed: above them the drive has nothing in hand, below them a law that
trims the step at full voltage would have to brake by more than it may."""


# sign of the correction


def _one_speed(space: Space, choices: Choices) -> tuple[int, float, float]:
    """Command [rpm], period there [ticks], and a part between the least and the most that speed is off."""
    part, command, _ = choices
    low = int(space.rpm_ticks / space.longest_ticks) + 1
    high = max(low, min(int(space.rpm_ticks / space.shortest_ticks), TOP_RPM))
    speed = min(max(command, low), high)
    off = _LEAST_OFF + (_MOST_OFF - _LEAST_OFF) * part / space.most_start
    return speed, space.rpm_ticks / speed, off


def _too_slow_then_too_fast(space: Space, choices: Choices) -> Scenario:
    speed, period, off = _one_speed(space, choices)
    slow, fast = int(period * (1 + off)) + 1, max(1, int(period / (1 + off)))
    below, above = edges(slow, SETTLING_TURNS), edges(fast, SETTLING_TURNS)
    return Scenario(0, speed, (run_up(space.hardware, slow), below, above))


def steady_speeds(subject: Subject) -> Space:
    """A command, and a rotor below it, then above it: 2 % to 50 % off."""
    shortest = 2 * subject.shortest_turn_ticks
    longest = max(shortest, int(subject.longest_turn_ticks / (1 + _MOST_OFF)))
    return Space(subject.program, subject.hardware, (EDGES,), 0, shortest, longest, (), _PARTS,
                 make=_too_slow_then_too_fast)  # fmt: skip


def judge_sign(subject: Subject, scenario: Scenario) -> Wrong | None:
    """Above the command the duty is not higher and the steps are no earlier than below it, and one of the two
    moves."""
    trace = trace_of(subject.bench, scenario)
    if not (trace.is_complete and len(trace.steps)):
        return None
    slow = _response(subject, trace, trace.edges[: RUN_UP_EDGES + SETTLING_TURNS])
    fast = _response(subject, trace, trace.edges)
    duty, lead = fast[0] - slow[0], fast[1] - slow[1]
    # a sixth of a period is rounded down, and so is the trim: up to 6 ticks and one count a turn
    if duty <= 0 and lead <= 7 and (duty < 0 or lead < -7):
        return None
    rows = trace.duties if duty > 0 else trace.steps
    expected = "less duty, or later steps, above the command than below it"
    found = f"duty {duty:+,} counts, steps {lead:+,.0f} ticks a turn earlier"
    return wrong_at(subject, trace, int(rows[-1]), expected, found)


def _response(subject: Subject, trace: Trace, places: Any) -> tuple[int, float]:
    """Duty, and lead of the steps over a turn in ticks, at the end of these edges: the turn less six times
    the median time between its steps (one may come twice, by timer and by edge). A turn with one step lags as
    far as can be."""
    leads = [_lead(trace, start, end) for start, end in zip(places[-4:-1], places[-3:], strict=True)]
    return trace.duty_at(float(places[-1])), float(np.mean(leads)) / subject.hardware.tick_cycles


def _lead(trace: Trace, start: int, end: int) -> float:
    """Of one turn [cycles]."""
    cycles = trace.cycles(trace.steps)
    inside = cycles[(cycles >= start) & (cycles < end)]
    step = float(np.median(np.diff(inside))) if len(inside) > 1 else float(end - start)
    return float(end - start) - STEPS * step


# distance from f64


def smooth_turns(subject: Subject) -> Space:
    """A rotor that speeds up and slows down gently within the timer's range."""
    shortest = 2 * subject.shortest_turn_ticks
    longest = max(shortest, subject.longest_turn_ticks)
    return Space(
        subject.program, subject.hardware, (EDGES,), 2, shortest, longest, (), 0, max(1, shortest // 64)
    )


def distance(subject: Subject, scenario: Scenario) -> tuple[float, float, int]:
    """From the same law in f64, both without cost: of steps as a part of a turn, beyond a tick a step; of
    duty as a part of full duty; and the number of the row in the trace that shows the larger one."""
    assert subject.exact_bench is not None
    own, exact = trace_of(subject.instant, scenario), trace_of(subject.exact_bench, scenario)
    shared = min(len(own.steps), len(exact.steps))
    places = own.edges
    if not shared or len(places) < 2:
        return 0.0, 0.0, 0
    a, b = own.cycles(own.steps[:shared]), exact.cycles(exact.steps[:shared])
    turn = np.diff(places, append=2 * places[-1] - places[-2])
    of = turn[np.clip(np.searchsorted(places, a) - 1, 0, len(turn) - 1)]
    same = own.values(own.steps[:shared]) == exact.values(exact.steps[:shared])
    ticks = np.abs(a - b) - STEPS * subject.hardware.tick_cycles
    off = np.where(same, np.maximum(ticks, 0) / of, 0.0)
    common = min(len(own.duties), len(exact.duties))
    duty = np.abs(own.values(own.duties[:common]) - exact.values(exact.duties[:common]))
    duty_part = float(duty.max(initial=0)) / subject.hardware.duty_top
    shows_steps = off.max() / EXACT_TURN_PART >= duty_part / EXACT_DUTY_PART
    row = int(own.steps[off.argmax()] if shows_steps else own.duties[duty.argmax()])
    return float(off.max()), duty_part, row


def largest_distance(subject: Subject, scenarios: list[Scenario]) -> str:
    """The largest distances in these scenarios, in words."""
    pairs = [distance(subject, scenario) for scenario in scenarios]
    turn, duty = max(pair[0] for pair in pairs), max(pair[1] for pair in pairs)
    return f"at most {turn:.2%} of a turn (beyond a tick a step) and {duty:.2%} of full duty"


def judge_distance(subject: Subject, scenario: Scenario) -> Wrong | None:
    """Steps and duties stay near those of the same law in f64."""
    step, duty, row = distance(subject, scenario)
    if step <= EXACT_TURN_PART and duty <= EXACT_DUTY_PART:
        return None
    trace = trace_of(subject.instant, scenario)
    expected = (
        f"steps within {EXACT_TURN_PART:.1%} of a turn and {STEPS} ticks, "
        f"duty within {EXACT_DUTY_PART:.1%} of full duty of f64"
    )
    return wrong_at(subject, trace, row, expected, f"{step:.2%} of a turn, {duty:.2%} of full duty")


# standing error and swing


def _driven(space: Space, choices: Choices) -> Scenario:
    speed, _, _ = _one_speed(space, choices)
    slowest = int(space.rpm_ticks / slowest_turn(space.hardware))
    return Scenario(0, speed, (drive(space.longest_drive, min(speed, slowest)),))


def driven_rotor(subject: Subject) -> Space:
    """A command, and a rotor that turns slowly and is then left to the law."""
    motor, tick_s = subject.motor, subject.hardware.tick_s
    longest, shortest = (int(subject.rpm_ticks / motor.no_load_rpm / part) for part in _COMMAND_PARTS)
    return Space(subject.program, subject.hardware, (EDGES,), 0, shortest, longest, (), _PARTS,
                 make=_driven, longest_drive=int(_DRIVEN_LAGS * motor.lag_s / tick_s))  # fmt: skip


def judge_error(subject: Subject, scenario: Scenario) -> Wrong | None:
    """After twelve time constants the speed is the commanded one, and stays there."""
    trace = trace_of(subject.bench, scenario)
    command = scenario.command_rpm
    speeds = _speeds(subject, trace)
    explained = FORMAT_COUNTS * _count_rpm(subject, command)
    error = abs(float(speeds.mean()) - command) if len(speeds) else float(command)
    swing = float(np.ptp(speeds)) if len(speeds) else 0.0
    if error <= explained + ERROR_PART * command and swing <= 2 * explained + SWING_PART * command:
        return None
    expected = (
        f"{command:,} rpm within {explained + ERROR_PART * command:,.0f}, swinging by "
        f"{2 * explained + SWING_PART * command:,.0f} at most ({explained:,.0f} rpm of them are the format's)"
    )
    found = (
        f"{speeds.mean():,.0f} rpm, swinging by {swing:,.0f}" if len(speeds) else "no edges: it stands still"
    )
    rows = trace.duties if len(trace.duties) > 1 else trace.steps
    return wrong_at(subject, trace, int(rows[-1]), expected, found)


def _speeds(subject: Subject, trace: Trace) -> Any:
    """Speed of each turn in the last quarter of a play [rpm]."""
    places = trace.edges
    late = places[places > trace.rows[-1, 0] * 3 // 4] if len(trace.rows) else places
    turns = np.diff(late) / subject.hardware.tick_cycles
    return subject.rpm_ticks / turns


def _count_rpm(subject: Subject, speed_rpm: float) -> float:
    """What one count moves the speed by: a tick of a period (n**2 / rpm_ticks), one rpm, a PWM count (its
    part of the no-load speed); the largest of them."""
    tick = speed_rpm**2 / subject.rpm_ticks
    return max(tick, 1.0, subject.motor.no_load_rpm / subject.hardware.duty_top)
