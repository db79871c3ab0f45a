"""A design as the text of a scenario file: what it states, section by section."""

import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sim.design.faults import KEYS, SECTIONS, toml
from sim.design.loader import FILE_KEYS
from sim.design.schema import Design

_WIDTH = 100


def design_text(design: Design, heading: str) -> str:
    """A scenario file from which `load_design` makes the same design.

    Files that the design names are named by their whole paths, so that the text may stand in any folder.

    Args:
        design: the design.
        heading: what the file is, for the comment at its top.
    """
    data = design.model_dump(exclude_unset=True, mode="python")
    for section, key, ending in FILE_KEYS:
        name = data.get(section, {}).get(key)
        if name and name.endswith(ending):
            data[section][key] = str(Path(name).resolve())
    comment = textwrap.wrap(heading, _WIDTH, initial_indent="# ", subsequent_indent="# ")
    return "\n".join([*comment, "", *_lines(data)])


def _lines(data: dict[str, Any]) -> Iterator[str]:
    """Keys outside of sections first, as TOML demands, in the order of the schema."""
    for name, value in data.items():
        if name not in SECTIONS and value is not None:
            yield f"{name} = {toml(value)}"
    for section in (name for name in KEYS if name in data and name in SECTIONS):
        yield f"\n[{section}]"
        yield from (f"{name} = {toml(value)}" for name, value in data[section].items() if value is not None)
    yield ""
