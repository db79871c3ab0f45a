"""Words, numbers and tables that several views share."""

from collections.abc import Sequence

from sim.design import Require
from sim.studies.answer import Result


def number_or_dash(value: float | None, pattern: str) -> str:
    """A number by its format, a dash where there is none."""
    return "-" if value is None else format(value, pattern)


def aligned(cells: Sequence[Sequence[str]]) -> list[str]:
    """The lines of a table: the first column to the left, the others to the right."""
    widths = [max(len(line[column]) for line in cells) for column in range(len(cells[0]))]
    return [
        "  ".join(
            [line[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(line[1:], widths[1:], strict=True))]
        )
        for line in cells
    ]


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
        f"It overshoots: {metrics.overshoot_percent:,.1f} % above the highest speed commanded so far, "
        f"{metrics.overshoot_s:.2f} s after the start (the tolerance is {tolerance:g} %)."
    )
