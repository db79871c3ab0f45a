"""What the speed did, in plain words: where it settles or drifts to, against requirement and command."""

import math

import numpy as np
from numpy.typing import NDArray

from sim.run.assemble import SETTLED_PART
from sim.run.metrics import Metrics, column, smoothed_rpm
from sim.run.simulate import Recording
from sim.studies.limits import excess

BACKWARDS_RPM = 50
"""A rotor that merely rocks has a mean speed of either sign, smaller than this."""
TURNS_OF_A_START = 1.0
"""A rotor that has not turned once in the whole run has not started (our own convention)."""
STEADY = 3.0
"""A drift counts when its rates, measured in three ways, are within this factor: hunting is no drift."""
FALLEN = 0.95
"""A fall below this part of the required speed is more than the hunting that a law may do."""
LOWEST_DUTY = 0.01
"""A law that pushes by less than this part of the supply does not push."""


def outcome(recording: Recording, metrics: Metrics) -> str:
    """Sentences: the speed at the end, against the required and the commanded one."""
    tellers = (_held, _above, _required, _in_between)
    return " ".join(part for teller in tellers if (part := teller(recording, metrics)))


def told_rpm(speed_rpm: float) -> str:
    """A mean speed in words: 0 for that of a rotor that only rocks backwards."""
    return f"{0 if -BACKWARDS_RPM <= speed_rpm < 0.5 else round(speed_rpm):,}"


def told_angle(error_deg: float) -> str:
    """How far steps are from their place, in words."""
    return f"{abs(error_deg):.1f} electrical degrees {'early' if error_deg < 0.0 else 'late'}"


def never_got_away(recording: Recording) -> bool:
    """Whether the rotor never left its place: turned less than TURNS_OF_A_START either way."""
    t_s, speed_rpm = column(recording, "t_s"), column(recording, "speed_rpm")
    turns = np.cumsum(speed_rpm * np.diff(t_s, prepend=0.0)) / 60.0
    return bool(np.abs(turns).max() < TURNS_OF_A_START)


def drift_rpm_per_s(recording: Recording) -> float:
    """How fast the mean speed still moves at the end; 0 where it has settled.

    It has settled when going on like this for as long again as the run would move it by less than the
    tolerance of the requirement. Hunting is no drift: the slopes in the last two parts of the run of
    SETTLED_PART each, and the step between their means, must have one sign and about one size.
    """
    rows = max(2, round(len(recording.trace) * SETTLED_PART))
    t_s, speed_rpm = (column(recording, name)[-2 * rows :] for name in ("t_s", "speed_rpm"))
    before, last = (_slope(t_s[part], speed_rpm[part]) for part in (slice(rows), slice(rows, None)))
    mean_rpm, earlier_rpm = float(speed_rpm[rows:].mean()), float(speed_rpm[:rows].mean())
    step = (mean_rpm - earlier_rpm) / float(t_s[-1] - t_s[rows - 1])
    allowed = recording.design.require.tolerance_percent / 100.0 * max(mean_rpm, BACKWARDS_RPM) / t_s[-1]
    slowest, fastest = sorted(rate if last > 0.0 else -rate for rate in (before, step, last))[::2]
    return last if abs(last) > allowed and 0.0 < fastest <= STEADY * slowest else 0.0


def _slope(t_s: NDArray[np.float64], speed_rpm: NDArray[np.float64]) -> float:
    """Least-squares slope [rpm/s]."""
    return float(np.polyfit(t_s - t_s[0], speed_rpm, 1)[0])


def _held(recording: Recording, metrics: Metrics) -> str:
    """The speed at the end, and whether it still moves."""
    settled, drift = metrics.settled_rpm, drift_rpm_per_s(recording)
    still = f", still {'rising' if drift > 0.0 else 'falling'} by {_rate(drift)} rpm/s" if drift else ""
    if settled < -BACKWARDS_RPM:
        return f"It runs backwards, at {-round(settled):,} rpm{still}."
    fell = metrics.reached_rpm > 1.1 * max(round(settled), 1.0) and drift <= 0.0
    if fell and not never_got_away(recording):
        return (
            f"It gets to {metrics.reached_rpm:,.0f} rpm, then falls back to {told_rpm(settled)} rpm{still}."
        )
    ends = "At the end it runs" if drift else "It settles"
    return f"{ends} at {told_rpm(settled)} rpm{still}."


def _rate(drift: float) -> str:
    """A rate of change to two digits."""
    digits = max(0, 1 - math.floor(math.log10(abs(drift))))
    return f"{round(abs(drift), 1 - math.floor(math.log10(abs(drift)))):,.{digits}f}"


def _required(recording: Recording, metrics: Metrics) -> str:
    """When the required speed is reached, and whether it is held."""
    require = recording.design.require
    if metrics.time_to_speed_s is None:
        return f"The required {require.speed_rpm:,.0f} rpm are never reached."
    late = (
        ""
        if metrics.time_to_speed_s <= require.within_s
        else f", later than the {require.within_s:g} s allowed"
    )
    lost = "" if metrics.settled_rpm >= require.lowest_rpm else ", and not held to the end"
    after = f"are reached after {metrics.time_to_speed_s:.2f} s{late}{lost}."
    return f"The required {require.speed_rpm:,.0f} rpm {after}"


def _in_between(recording: Recording, metrics: Metrics) -> str:
    """That a speed which is held in the end was lost for a while, though nobody commanded that; not within a
    tenth of the run after it is reached, which is the start's doing."""
    required_rpm, reached_s = recording.design.require.lowest_rpm, metrics.time_to_speed_s
    if reached_s is None or metrics.settled_rpm < required_rpm:
        return ""
    t_s, speed_rpm = column(recording, "t_s"), smoothed_rpm(recording)
    is_commanded = (t_s <= reached_s) | (column(recording, "command_rpm") >= required_rpm)
    is_later = t_s > reached_s + SETTLED_PART * t_s[-1]
    rows = np.flatnonzero(is_later & np.logical_and.accumulate(is_commanded))
    if not len(rows) or speed_rpm[rows].min() > FALLEN * required_rpm:
        return ""
    lowest = rows[speed_rpm[rows].argmin()]
    return f"In between it falls to {told_rpm(speed_rpm[lowest])} rpm, at {t_s[lowest]:.2f} s."


def _above(recording: Recording, metrics: Metrics) -> str:
    """That it runs faster than told."""
    beyond, told = excess(recording.design, metrics), recording.design.command.profile[-1].speed_rpm
    return f"It runs {beyond:.1%} above the command of {told:,.0f} rpm.".replace("%", " %") if beyond else ""


def overshoot_reason(recording: Recording) -> str:
    """Why a design that no suspect slows down is above its command."""
    rows = max(2, round(len(recording.trace) * SETTLED_PART))
    t_s, speed_rpm, duty = (column(recording, name)[-rows:] for name in ("t_s", "speed_rpm", "duty"))
    slope = _slope(t_s, speed_rpm)
    if duty.max() < LOWEST_DUTY and slope < 0.0:
        return (
            "It coasts: the duty is at its lowest, and nothing but friction and load brakes it, by "
            f"{_rate(slope)} rpm/s."
        )
    if drift_rpm_per_s(recording):
        return "The run ends in the overshoot, before the law has brought the speed down."
    return "The law does not hold the speed down."
