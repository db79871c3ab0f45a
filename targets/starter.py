"""A target file to start from: a shipped target written anew, every key explained, every source told as the
copy it is."""

from __future__ import annotations

import json
import textwrap
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any, Final

from pydantic import BaseModel

from targets.errors import InputError
from targets.fields import COSTS, FIELDS, OPERATIONS, SECTIONS
from targets.loader import DATA_FOLDER, SUFFIX, load_target, name_fault
from targets.schema import TargetFile
from targets.sections import Clock, Compiler, Frame, Interrupt, Memory, StepTimer, Timer

USUAL_BASE: Final = "m0"
_WIDTH: Final = 110
_MEGA: Final = 1e6
_RECORDS: Final[Mapping[str, type[BaseModel]]] = {
    "clock": Clock, "memory": Memory, "step_timer": StepTimer, "pwm": Timer, "interrupt": Interrupt,
    "frame": Frame, "compiler": Compiler,
}  # fmt: skip
_HEAD: Final = """\
A microcontroller for tickspin, copied from its target {base}: replace what differs by the numbers of your \
data sheet, and each source by where they stand. Optional keys are commented out.
Try it with: tickspin run SCENARIO --target-file {name}.toml"""


def starting_target(name: str, base: str = USUAL_BASE) -> str:
    """Text of a commented data file for a new target, with the numbers of a shipped one.

    Args:
        name: of the new target, as scenarios will give it.
        base: the shipped target.
    Raises:
        InputError: `name` is no name for a target or is taken, or there is no target `base`.
    """
    fault = name_fault("--target", name)
    if fault is not None:
        raise InputError([fault])
    load_target(base)
    raw = tomllib.loads((DATA_FOLDER / f"{base}{SUFFIX}").read_text(encoding="utf-8"))
    blocks = [_comment(_HEAD.format(base=base, name=name)), "\n".join(_head_lines(raw, name, base))]
    blocks += ["\n".join(_section(section, raw.get(section), base)) for section in _RECORDS]
    blocks.append(_comment(COSTS))
    blocks += ["\n".join(_group(group, rows, base)) for group, rows in raw["costs"].items()]
    blocks.append("\n".join(_routines(raw["routines"], base)))
    return "\n\n".join(blocks) + "\n"


def _head_lines(raw: Mapping[str, Any], name: str, base: str) -> Iterator[str]:
    """The keys above the first section."""
    own = {
        "name": name,
        "title": f"{name}, still with the numbers of {base}",
        "price_source": f"indicative, {_copied(raw['price_source'], base)}",
        "core_source": _copied(raw["core_source"], base),
    }
    for key in TargetFile.model_fields:
        if key in FIELDS:
            yield from _key(key, key, own.get(key, raw[key]))


def _section(section: str, values: Mapping[str, Any] | None, base: str) -> Iterator[str]:
    """A section with all its keys; those that the base leaves out, and a whole section, commented out."""
    yield _comment(SECTIONS[section])
    yield f"[{section}]" if values is not None else f"# [{section}]"
    for key, field in _RECORDS[section].model_fields.items():
        if key == "source":
            continue
        if values is not None and key in values:
            yield from _key(f"{section}.{key}", key, values[key])
        else:
            required = False if field.annotation is bool else 0
            example = required if field.is_required() else field.default
            yield from _key(f"{section}.{key}", key, example, "# ")
    if values is not None:
        yield f"source = {_toml(_copied(values['source'], base))}"
    else:
        yield '# source = "where it is from"'


def _key(path: str, key: str, value: Any, mark: str = "") -> Iterator[str]:
    """The comment of a key and its line."""
    yield _comment(FIELDS[path])
    yield f"{mark}{key} = {_toml(value)}"


def _group(group: str, rows: Mapping[str, Any], base: str) -> Iterator[str]:
    """A group of cost rows."""
    yield from (_comment(OPERATIONS[word]) for word in OPERATIONS if _first_of(word, rows))
    yield f"[costs.{group}]"
    yield f"source = {_toml(_copied(rows['source'], base))}"
    width = max(map(len, rows))
    for key, row in rows.items():
        if key != "source":
            yield f"{key:<{width}} = {_toml(row)}"


def _first_of(word: str, rows: Mapping[str, Any]) -> bool:
    """Whether an operation is in a group, by its whole name or after its kind."""
    return any(key == word or key.partition("_")[2] == word for key in rows)


def _routines(routines: Mapping[str, Any], base: str) -> Iterator[str]:
    yield _comment(SECTIONS["routines"])
    yield "[routines]"
    yield f"source = {_toml(_copied(routines['source'], base))}"
    width = max(map(len, routines))
    yield from (f"{name:<{width}} = {_toml(row)}" for name, row in routines.items() if name != "source")


def _copied(source: str, base: str) -> str:
    """A source as what it is: that of another chip."""
    return f"copied from {base} ({source.strip()}); check"


def _comment(text: str) -> str:
    lines = (textwrap.wrap(line, _WIDTH - 2, break_on_hyphens=False) for line in text.splitlines())
    return "\n".join(f"# {line}" for wrapped in lines for line in wrapped)


def _toml(value: Any) -> str:
    """A value in TOML, on one line; clocks as people write them."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{key} = {_toml(item)}' for key, item in value.items())} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, float) and value >= _MEGA:
        return f"{value / _MEGA:.10g}e6"
    return repr(value)
