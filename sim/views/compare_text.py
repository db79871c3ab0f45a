"""A comparison as a table for a terminal, with the choice and the reason in words below it."""

import textwrap
from collections.abc import Callable, Iterator

from sim.studies.answer import CAUTION
from sim.studies.compare import Comparison, Row
from sim.studies.outcome import told_rpm
from sim.studies.strain import TOO_MUCH
from sim.views.words import aligned, number_or_dash, tolerance_text

WIDTH = 100


def _memory(used: int | None, room: int | None) -> str:
    if used is None or room is None or room >= 1 << 30:
        return "-"
    return f"{used:,}/{room:,}"


_COLUMNS: tuple[tuple[str, Callable[[Row], str]], ...] = (
    ("meets it", lambda row: "yes" if row.met else f"no: {row.limited_by}" if row.limited_by else "no"),
    ("price", lambda row: number_or_dash(row.price_USD, ".2f")),
    ("flash", lambda row: _memory(row.flash_bytes, row.flash_room_bytes)),
    ("RAM", lambda row: _memory(row.ram_bytes, row.ram_room_bytes)),
    ("worst us", lambda row: number_or_dash(row.worst_case_us, ",.1f")),
    ("load", lambda row: "-" if row.load is None else f"{row.load:.0%}"),
    ("settles rpm", lambda row: "-" if row.settled_rpm is None else told_rpm(row.settled_rpm)),
    ("margin", lambda row: "-" if row.margin is None else f"{row.margin:+.0%}"),
    ("in s", lambda row: number_or_dash(row.time_to_speed_s, ".2f")),
    ("A rms", lambda row: number_or_dash(row.settled_rms_phase_A, ".3g")),
    ("efficiency", lambda row: number_or_dash(row.efficiency, ".1%")),
)


def compare_text(comparison: Comparison) -> str:
    """The table, the best first, then what to take and why not something cheaper."""
    require = comparison.design.require
    title = f"{comparison.design.title or comparison.design.name}: {require.speed_rpm:,.0f} rpm within "
    title += f"{require.within_s:g} s; {tolerance_text(require)}"
    cells = [["", *(head for head, _ in _COLUMNS)]]
    cells += [[row.name, *(cell(row) for _, cell in _COLUMNS)] for row in comparison.rows]
    notes = [f"{row.name}: {row.why}" for row in comparison.rows if row.why]
    notes += _close(comparison)
    blocks = [
        "\n".join([title, "", *aligned(cells)]),
        _wrapped(_clocks(comparison)),
        _wrapped(_verdict(comparison)),
        _wrapped(_strained(comparison)),
        "\n".join(map(_wrapped, notes)),
    ]
    return "\n\n".join(block for block in [*blocks, _wrapped(_LEGEND), _wrapped(CAUTION)] if block)


_LEGEND = (
    "Order: first what meets the requirement, the cheapest on top; of equal prices first what does not work "
    "against itself, then by the widest margin (in steps of 1 %), the highest efficiency (in steps of a "
    "tenth; the least current where nothing in [load] takes power), the least load, the least flash; then "
    "what meets it and cannot be bought; then the others, the fastest on top, with what does not fit the "
    "memory counted at half its speed. no: the one thing that helps most when it is taken away. Against "
    f"itself works what has badly timed steps and takes more than {TOO_MUCH:g} times the power that "
    "well-timed ones would. price: indicative, US dollars, in a large order; your own with --price "
    "TARGET=USD. worst us: longest handler at worst-case costs. load: time in interrupts at the required "
    "speed, typical costs. settles: at the scenario's command. margin: top speed over the required one, when "
    "told to run at three times that. A rms: settled phase current. efficiency: of the supply's power, what "
    "the load gets at the end. Gains that the scenario leaves open are fitted to each row."
)


_HOW = "`tickspin run` says how, and what to try."


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


def _close(comparison: Comparison) -> Iterator[str]:
    """The rows whose memory may be large enough or not."""
    rows = [(words, row.name) for row in comparison.rows for words in row.too_close_to_call.items()]
    for memory, words in dict.fromkeys(key for key, _ in rows):
        names = "; ".join(name for key, name in rows if key == (memory, words))
        yield f"{names}: {memory} {words}"


def _verdict(comparison: Comparison) -> str:
    choice, cheaper = comparison.choice, comparison.next_cheaper
    if choice is None:
        best = comparison.rows[0]
        return (
            f"None meets the requirement; {best.name} comes nearest. `tickspin run` says what holds it back."
        )
    if all(row.price_USD in (choice.price_USD, None) for row in comparison.rows):
        rivals = _rivals(comparison, choice) or ", alone of all"
        text = f"All cost the same. {choice.name} meets the requirement{rivals}."
    else:
        rivals = _rivals(comparison, choice)
        text = f"{choice.name} is the cheapest that meets the requirement{rivals}."
    if choice.strain:
        text += f" But it works against itself; {_unstrained(comparison)}"
    if cheaper is not None:
        text += f" {cheaper.name} costs less and does not meet it: {comparison.why_not}"
    return text


def _rivals(comparison: Comparison, choice: Row) -> str:
    """Against what else of its price the choice stands; empty where there is nothing else."""
    rivals = [row for row in comparison.rows if row.met and row.is_real and row.price_USD == choice.price_USD]
    if len(rivals) == 1:
        return ""
    strained = sum(bool(row.strain) for row in rivals)
    if choice.strain or not strained:
        return f"; of {len(rivals)} at that price none has a wider margin"
    if strained == len(rivals) - 1:
        return f"; of {len(rivals)} at that price it alone does not work against itself"
    return (
        f"; of {len(rivals)} at that price {strained} work{'s' * (strained == 1)} against "
        f"{'itself' if strained == 1 else 'themselves'}, and none of the others has a wider margin"
    )


def _unstrained(comparison: Comparison) -> str:
    """What does the job well."""
    other = comparison.unstrained
    return f"{other.name} is the cheapest that does not." if other else f"so does all that meets it. {_HOW}"


def _strained(comparison: Comparison) -> str:
    """The rows that do the job against themselves, where not all do."""
    names = "; ".join(row.name for row in comparison.rows if row.met and row.strain)
    return f"Against itself works: {names}. {_HOW}" if names and comparison.unstrained else ""


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH)
