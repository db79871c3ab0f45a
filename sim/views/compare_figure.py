"""One figure of a comparison: what each design costs against the speed it can reach."""

from pathlib import Path

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
_LINE_px, _LETTER_px, _GAP_px = 14.0, 7.2, 13.0
"""Height of a line of text, width of a letter, and room between a point and its name on the canvas."""


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
            panels[0].set_ylim(bottom=0.0)
            panels[0].set_ylabel("indicative price [USD]")
        loaded = [row for row in rows if row.load]  # what costs nothing has no place on a logarithmic axis
        panels[-1].set_yscale("log")
        _scatter(panels[-1], comparison, loaded, [100.0 * (row.load or 0.0) for row in loaded])
        panels[-1].yaxis.set_major_formatter(lambda value, _: f"{value:g}")
        panels[-1].yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        panels[-1].yaxis.set_minor_formatter(NullFormatter())
        panels[-1].set_ylabel("processor load at the required speed [%]")
        panels[-1].set_xlabel("speed it can reach [rpm]")
        figure.suptitle(_title(comparison), x=0.01, ha="left", fontsize=12, fontweight="bold")
        figure.supxlabel(CAUTION, fontsize=7, color=QUIET)
        figure.savefig(path, dpi=110, format="png")
        plt.close(figure)


def _title(comparison: Comparison) -> str:
    name = comparison.design.title or comparison.design.name
    if comparison.choice is None:
        return f"{name}: none meets the requirement"
    return f"{name}: {comparison.choice.name} is the cheapest that meets the requirement"


def _scatter(ax: Axes, comparison: Comparison, rows: list[Row], heights: list[float]) -> None:
    """A point and a name for each design; filled where it meets the requirement. The scale is set already."""
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
        colour = SIGNAL if row.met else WARN
        face = colour if row.met else "none"
        ax.scatter(row.top_rpm or 0.0, height, s=42, facecolors=face, edgecolors=colour)
    ax.margins(y=0.12)
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
