"""Sentences that several views share."""

from sim.design import Require
from sim.studies.answer import Result


def tolerance_text(require: Require) -> str:
    """What the requirement's tolerance allows."""
    return (
        f"tolerance {require.tolerance_percent:g} %: {require.lowest_rpm:,.0f} rpm and more count as reached"
    )


def overshoot_text(result: Result) -> str:
    """By how much the speed went beyond the command; empty within the tolerance."""
    metrics, tolerance = result.metrics, result.design.require.tolerance_percent
    if metrics.overshoot_percent <= tolerance:
        return ""
    return (
        f"It overshoots: {metrics.overshoot_percent:,.0f} % above the highest speed commanded so far, "
        f"{metrics.overshoot_s:.2f} s after the start (the tolerance is {tolerance:g} %)."
    )
