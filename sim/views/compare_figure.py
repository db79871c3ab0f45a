"""One figure of a comparison: what each design costs against the speed it can reach."""

from pathlib import Path
from typing import Any, Final

import matplotlib

matplotlib.use("Agg")  # a file is wanted, whatever screen there is

import matplotlib.pyplot as plt
from matplotlib.axes import Axes
from matplotlib.ticker import LogLocator, NullFormatter

from sim.studies.answer import CAUTION
from sim.studies.compare import Comparison, Row
from sim.views.figure import INK, QUIET, SIGNAL, WARN

_LEADER = {
    "arrowstyle": "-", "color": QUIET, "linewidth": 0.6, "relpos": (0.0, 0.5), "shrinkA": 0.0, "shrinkB": 3.0,
}  # fmt: skip
"""From the left end of a name to its point."""
_HEADROOM = 1.2
"""Ends of an axis of heights beyond its points, as a factor."""
_LINE_px, _LETTER_px, _GAP_px = 14.0, 7.2, 18.0
"""Height of a line of text, width of a letter, and room between a point and its name on the canvas."""
_MARKS: Final[dict[str, dict[str, Any]]] = {
    "meets the requirement": {"color": SIGNAL, "fillstyle": "full"},
    "meets it, working against itself": {
        "color": SIGNAL,
        "fillstyle": "bottom",
        "markerfacecoloralt": "none",
    },
    "does not meet it": {"color": WARN, "fillstyle": "none"},
}
"""Look of a point by what its design does."""


def draw_comparison(comparison: Comparison, path: Path) -> None:
    """Draw a comparison into a PNG file: price over reachable speed, and load over reachable speed.

    With one price for all, as when laws are compared, the load alone is drawn. What cannot be bought has no
    price.
    """
    rows = [row for row in comparison.rows if row.top_rpm is not None]
    sold = [row for row in rows if row.is_real]
    with_price = len({row.price_USD for row in sold}) > 1
    with plt.rc_context({"font.size": 9, "axes.edgecolor": QUIET, "axes.labelcolor": INK, "text.color": INK}):
        figure, axes = plt.subplots(
            1 + with_price, 1, figsize=(10, 5 + 4 * with_price), layout="constrained", squeeze=False
        )
        panels = list(axes[:, 0])
        if with_price:
            _scatter(panels[0], comparison, sold, [row.price_USD or 0.0 for row in sold])
            panels[0].set_ylim(0.0, _HEADROOM * max(row.price_USD or 0.0 for row in sold))
            panels[0].set_ylabel("indicative price [USD]")
        _loads(panels[-1], comparison, [row for row in rows if row.load])
        panels[-1].set_xlabel("speed it can reach [rpm]")
        _legend(panels[0], rows)
        figure.suptitle(_title(comparison, with_price), x=0.01, ha="left", fontsize=12, fontweight="bold")
        figure.supxlabel(CAUTION, fontsize=7, color=QUIET)
        figure.savefig(path, dpi=110, format="png")
        plt.close(figure)


def _title(comparison: Comparison, with_price: bool) -> str:
    name = comparison.design.title or comparison.design.name
    if comparison.choice is None:
        return f"{name}: none meets the requirement"
    does = "is the cheapest that meets" if with_price else "meets"
    return f"{name}: {comparison.choice.name} {does} the requirement"


def _loads(ax: Axes, comparison: Comparison, rows: list[Row]) -> None:
    """Load over speed, on a logarithmic axis of a decade and a half at least, on which what costs nothing has
    no place."""
    heights = [100.0 * (row.load or 0.0) for row in rows]
    ax.set_yscale("log")
    middle = (min(heights) * max(heights)) ** 0.5 if heights else 10.0
    ax.set_ylim(min([*heights, middle / 5.0]) / _HEADROOM, max([*heights, middle * 5.0]) * _HEADROOM)
    _scatter(ax, comparison, rows, heights)
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.yaxis.set_minor_formatter(NullFormatter())
    ax.set_ylabel("processor load at the required speed [%]")


def _mark(row: Row) -> str:
    """What a design does, in the words of `_MARKS`."""
    if not row.met:
        return "does not meet it"
    return "meets it, working against itself" if row.strain else "meets the requirement"


def _legend(ax: Axes, rows: list[Row]) -> None:
    """The marks that occur, above the panel."""
    words = [mark for mark in _MARKS if mark in {_mark(row) for row in rows}]
    handles = [ax.plot([], [], "o", **_MARKS[mark])[0] for mark in words]
    ax.legend(
        handles, words, loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.0, ncols=3, frameon=False
    )


def _scatter(ax: Axes, comparison: Comparison, rows: list[Row], heights: list[float]) -> None:
    """A point and a name for each design. The scale is set already."""
    required = comparison.design.require.speed_rpm
    ax.axvline(required, color=SIGNAL, linewidth=1.0)
    ax.annotate(
        f"required {required:,.0f} rpm",
        (required, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(4, -10),
        textcoords="offset points",
        color=SIGNAL,
    )
    for row, height in zip(rows, heights, strict=True):
        ax.plot(row.top_rpm or 0.0, height, "o", **_MARKS[_mark(row)])
    ax.set_xlim(0.0, _right_rpm(ax, rows))
    _label(ax, rows, heights)
    ax.xaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(True, color="#e6ebea", linewidth=0.6)
    ax.set_axisbelow(True)


def _label(ax: Axes, rows: list[Row], heights: list[float]) -> None:
    """The names beside their points, from the bottom up, moved up where one would lie on another; a line
    leads from a name that was moved to its point."""
    place = ax.transData.transform
    taken: list[tuple[float, float, float]] = []
    for height, row in sorted(zip(heights, rows, strict=True), key=lambda pair: pair[0]):
        x, y = place((row.top_rpm or 0.0, height))
        end, free = x + _width_px(row), y
        while any(abs(free - other) < _LINE_px and x < e and left < end for left, e, other in taken):
            free += 1.0
        taken.append((x, end, free))
        lifted = (free - y) * 72.0 / ax.figure.dpi
        ax.annotate(
            row.name,
            (row.top_rpm or 0.0, height),
            xytext=(8, lifted - 3),
            textcoords="offset points",
            arrowprops=_LEADER if lifted else None,
        )


def _width_px(row: Row) -> float:
    return _GAP_px + _LETTER_px * len(row.name)


def _right_rpm(ax: Axes, rows: list[Row]) -> float:
    """End of the axis of speeds: every name beside its point has room."""
    room = [(row.top_rpm or 0.0) / max(1.0 - _width_px(row) / ax.bbox.width, 0.3) for row in rows]
    return max([*room, 1.0])
