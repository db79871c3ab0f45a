"""A comparison as a table for a terminal, with the choice and the reason in words below it."""

import textwrap
from collections.abc import Callable

from sim.studies.answer import CAUTION
from sim.studies.compare import Comparison, Row
from sim.views.words import aligned, number_or_dash, tolerance_text

WIDTH = 100


def _memory(used: int | None, room: int | None) -> str:
    if used is None or room is None or room >= 1 << 30:
        return "-"
    return f"{used:,}/{room:,}"


_COLUMNS: tuple[tuple[str, Callable[[Row], str]], ...] = (
    ("meets it", lambda row: "yes" if row.met else "no"),
    ("limited by", lambda row: row.limited_by or "-"),
    ("price", lambda row: number_or_dash(row.price_USD, ".2f")),
    ("flash", lambda row: _memory(row.flash_bytes, row.flash_room_bytes)),
    ("RAM", lambda row: _memory(row.ram_bytes, row.ram_room_bytes)),
    ("worst us", lambda row: number_or_dash(row.worst_case_us, ",.1f")),
    ("load", lambda row: "-" if row.load is None else f"{row.load:.0%}"),
    ("settles rpm", lambda row: number_or_dash(row.settled_rpm, ",.0f")),
    ("top rpm", lambda row: number_or_dash(row.top_rpm, ",.0f")),
    ("margin", lambda row: "-" if row.margin is None else f"{row.margin:+.0%}"),
    ("in s", lambda row: number_or_dash(row.time_to_speed_s, ".2f")),
    ("late deg", lambda row: number_or_dash(row.worst_lateness_deg, ".1f")),
)


def compare_text(comparison: Comparison) -> str:
    """The table, the best first, then what to take and why not something cheaper."""
    require = comparison.design.require
    title = f"{comparison.design.title or comparison.design.name}: {require.speed_rpm:,.0f} rpm within "
    title += f"{require.within_s:g} s; {tolerance_text(require)}"
    cells = [["", *(head for head, _ in _COLUMNS)]]
    cells += [[row.name, *(cell(row) for _, cell in _COLUMNS)] for row in comparison.rows]
    notes = [f"{row.name}: {row.why}" for row in comparison.rows if row.why]
    blocks = [
        "\n".join([title, "", *aligned(cells)]),
        _wrapped(_clocks(comparison)),
        _wrapped(_verdict(comparison)),
        "\n".join(map(_wrapped, notes)),
    ]
    return "\n\n".join(block for block in [*blocks, _wrapped(_LEGEND), _wrapped(CAUTION)] if block)


_LEGEND = (
    "Order: first what meets the requirement, the cheapest on top, of equal prices the widest margin (in "
    "steps of 1 %), then the least load, then the least flash; "
    "then what meets it and cannot be bought; then the others, the fastest on top, with what does not fit "
    "the memory counted at half its speed. limited by: the one thing that helps most when it is taken away. "
    "price: indicative, US dollars, in a large order; your own with --price TARGET=USD. worst us: longest "
    "handler at worst-case costs. load: time in interrupts at the required speed, typical costs. settles: at "
    "the scenario's command; top, margin: told to run at three times the required speed. late: worst "
    "lateness of a step at the end. Gains that the scenario leaves open are fitted to each row."
)


def _clocks(comparison: Comparison) -> str:
    """The targets whose oscillator alone may move the speed by more than the requirement allows."""
    off = {row.target: row.clock_tolerance_percent for row in comparison.rows if row.clock_moves_speed}
    if not off:
        return ""
    names = ", ".join(f"{name} {percent:g} %" for name, percent in off.items())
    allowed = comparison.design.require.tolerance_percent
    return (
        f"{names}: {'their' if len(off) > 1 else 'its'} oscillator may be off by more than the {allowed:g} % "
        "allowed, and the speed with it; a crystal mends that."
    )


def _verdict(comparison: Comparison) -> str:
    choice, cheaper = comparison.choice, comparison.next_cheaper
    if choice is None:
        best = comparison.rows[0]
        return (
            f"None meets the requirement; {best.name} comes nearest. `tickspin run` says what holds it back."
        )
    alike = sum(row.met and row.is_real and row.price_USD == choice.price_USD for row in comparison.rows)
    if all(row.price_USD in (choice.price_USD, None) for row in comparison.rows):
        only = f"; of {alike} that do none has a wider margin" if alike > 1 else ", alone of all"
        text = f"All cost the same. {choice.name} meets the requirement{only}."
    else:
        widest = f"; of {alike} at that price none has a wider margin" if alike > 1 else ""
        text = f"{choice.name} is the cheapest that meets the requirement{widest}."
    if cheaper is not None:
        text += f" {cheaper.name} costs less and does not: {comparison.why_not}"
    return text


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH)
