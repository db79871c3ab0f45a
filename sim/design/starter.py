"""The starter scenario and the reference of all keys, both made from the schema."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sim.design.faults import KEYS, toml
from sim.design.key import Key
from sim.design.loader import design_from_dict
from targets.errors import Fault, InputError, printable

_WIDTH = 110
_HEAD = """\
A scenario of tickspin: one motor with its drive, load and firmware, and what it must do.
The name of every key ends in its unit. A line "# KEY = VALUE" is an optional key: remove the "# " to use it.
Run the scenario with: tickspin run FILE"""


def starter(name: str) -> str:
    """A complete, commented scenario in TOML. Raises InputError when `name` is no name for a design."""
    design_from_dict({**_example(), "name": name}, source="starter")
    blocks = [_comment(_HEAD)]
    for path, key in _keys():
        value = name if path == "name" else key.example
        blocks.append(_heading(key) if key.kind == "section" else _block(key, value))
    return "\n\n".join(blocks) + "\n"


def write_new(path: Path | str, name: str | None = None) -> Path:
    """Write the starter scenario to a new file, whole or not at all; `name` is the file's name unless given.

    Raises InputError when the file exists or cannot be written.
    """
    path = Path(path)
    text = starter(path.stem if name is None else name)
    try:
        if path.exists():
            raise _refused(
                path, "must be a new file", "a file that exists", "choose another name or remove the file"
            )
        _write_whole(path, text)
    except (OSError, ValueError) as refused:
        reason = getattr(refused, "strerror", None) or str(refused)
        raise _refused(
            path, "must be a file that can be written", reason, "check the folder and its rights"
        ) from None
    return path


def reference() -> str:
    """All keys of a scenario as a Markdown table per section."""
    lines = ["| key | allowed | default | meaning |", "|---|---|---|---|"]
    blocks, rows = [], list(lines)
    for path, key in KEYS.items():
        if key.kind == "section":
            blocks.append("\n".join(rows))
            rows = [f"### [{path}]", "", f"{_sentence(key.about)}", "", *lines]
        else:
            cells = (f"`{path}`", key.allowed, _default_text(key), key.about)
            rows.append(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |")
    return "\n\n".join([*blocks, "\n".join(rows)]) + "\n"


def _keys() -> Iterator[tuple[str, Key]]:
    """All keys but those inside a list of tables, which are shown with the list."""
    lists = {path for path, key in KEYS.items() if key.kind == "list"}
    return ((path, key) for path, key in KEYS.items() if key.section not in lists)


def _example() -> dict[str, Any]:
    """The values that the starter states, as nested dictionaries."""
    data: dict[str, Any] = {}
    for _, key in _keys():
        if key.kind == "section":
            data[key.path] = {}
        elif key.required or key.shown:
            (data[key.section] if key.section else data)[key.name] = key.example
    return data


def _heading(key: Key) -> str:
    return f"{_comment(_sentence(key.about))}\n[{key.path}]"


def _block(key: Key, value: Any) -> str:
    """The comment of a key and its line, commented out when it is optional."""
    about = f"{_sentence(key.about)} Allowed: {key.allowed}. {_standing(key)}"
    mark = "" if key.required or key.shown else "# "
    return f"{_comment(about)}\n{mark}{key.name} = {toml(value)}"


def _standing(key: Key) -> str:
    return "Required." if key.required else f"Default: {_default_text(key)}."


def _default_text(key: Key) -> str:
    if key.required:
        return "required"
    if key.default_text:
        return key.default_text
    return " ".join(filter(None, (toml(key.default), key.unit)))


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _comment(text: str) -> str:
    paragraphs = (textwrap.wrap(line, _WIDTH - 2, break_on_hyphens=False) for line in text.splitlines())
    return "\n".join(f"# {line}" for paragraph in paragraphs for line in paragraph)


def _write_whole(path: Path, text: str) -> None:
    """Write beside the place and rename, so that no half file is ever seen."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        temporary.write_text(text, encoding="utf-8", newline="\n")
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def _refused(path: Path, rule: str, found: str, remedy: str) -> InputError:
    return InputError([Fault(printable(str(path)), rule, found, remedy)])
