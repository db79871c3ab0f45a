"""A builder's ideas as a table for a terminal, with what each changes below it."""

import textwrap
from collections.abc import Callable, Iterator

from sim.design import Override
from sim.studies.answer import CAUTION
from sim.studies.compare import Row
from sim.studies.ideas import Idea
from sim.studies.try_ideas import Tried, TriedIdeas
from sim.views.next_steps import Typed, next_firmware_steps
from sim.views.text import WIDTH
from sim.views.words import aligned, number_or_dash, tolerance_text

_COLUMNS: tuple[tuple[str, Callable[[Row], str]], ...] = (
    ("meets it", lambda row: "yes" if row.met else "no"),
    ("then limited by", lambda row: row.limited_by or "-"),
    ("in s", lambda row: number_or_dash(row.time_to_speed_s, ".2f")),
    ("settles rpm", lambda row: number_or_dash(row.settled_rpm, ",.0f")),
    ("top rpm", lambda row: number_or_dash(row.top_rpm, ",.0f")),
)
_LEGEND = (
    "Order: first what meets the requirement; then by the gain in settled speed; gains that differ by less "
    "than 1 % count as equal and the gain in top speed decides. settles: at the scenario's command, which it "
    "never exceeds where the law holds it; top: told to run at three times the required speed. Gains that "
    "the scenario leaves open are fitted to each idea. Each idea is tried alone, at a default size; for a "
    "size of your own change its keys in the scenario, or --vary KEY=x1.1,x1.3."
)


def ideas_text(answer: TriedIdeas, typed: Typed) -> str:
    """The table, the best first, what the rows change, what was left out, and what to try where none of them
    helps."""
    design = answer.design
    title = f"{design.title or design.name}: {design.require.speed_rpm:,.0f} rpm within "
    title += f"{design.require.within_s:g} s; {tolerance_text(design.require)}"
    cells = [["", *(head for head, _ in _COLUMNS), "gain", "top gain"]]
    cells.append([answer.base.name, *(cell(answer.base) for _, cell in _COLUMNS), "", ""])
    cells += [_cells(tried) for tried in answer.tried]
    blocks = [
        "\n".join([title, "", *aligned(cells)]),
        "\n".join(line for tried in answer.tried for line in _lines(tried)),
        "\n".join(_left_out(answer)),
        textwrap.fill(_LEGEND, WIDTH),
        _beyond(answer, typed),
        textwrap.fill(CAUTION, WIDTH),
    ]
    return "\n\n".join(block for block in blocks if block)


def _beyond(answer: TriedIdeas, typed: Typed) -> str:
    """What to try where everything fails for the firmware, which none of the ideas changes."""
    if answer.any_met:
        return ""
    rows = (answer.base, *(tried.row for tried in answer.tried))
    steps = next_firmware_steps((row.limited_by for row in rows if row.limited_by), answer.design, typed)
    return steps and f"No idea meets the requirement; all fail for the firmware.\n{steps}"


def _cells(tried: Tried) -> list[str]:
    gains = (
        "-" if gain is None else f"{round(gain):+,}" for gain in (tried.settled_gain_rpm, tried.top_gain_rpm)
    )
    return [tried.row.name, *(cell(tried.row) for _, cell in _COLUMNS), *gains]


def _lines(tried: Tried) -> Iterator[str]:
    """What an idea changes, why by so much, how far that holds, and what stands against it."""
    idea = tried.idea
    keys = ", ".join(_change(key, value) for key, value in idea.variant.overrides.items())
    yield from _indented(f"{idea.variant.name}: {idea.change}: {keys}", "")
    yield from _indented(f"{_size(idea)}Why: {idea.formula}. Holds: {idea.valid}.", "    ")
    if tried.row.why:
        yield from _indented(f"But: {tried.row.why}", "    ")


def _size(idea: Idea) -> str:
    """Whose the numbers are; an idea without numbers, such as a delta, has no size."""
    if idea.is_guess:
        return "A guess; your own number is needed. "
    is_choice = all(isinstance(value, str) and value[:1] != "x" for value in idea.variant.overrides.values())
    return "" if is_choice else "At a default size. "


def _change(key: str, value: Override) -> str:
    if isinstance(value, str) and value.startswith("x"):
        return f"{key} x{float(value[1:]):.4g}"
    return f"{key} = {value:.4g}" if isinstance(value, float) else f"{key} = {value}"


def _left_out(answer: TriedIdeas) -> Iterator[str]:
    for row in answer.left_out:
        yield from _indented(f"left out: {row.name}: {row.reason}", "")


def _indented(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=f"{indent}    ")
