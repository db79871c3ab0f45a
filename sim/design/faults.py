"""From what pydantic says about a scenario to faults that a user can act on."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from pydantic_core import ErrorDetails

from sim.design.key import Key, keys_of, number_text, wanted
from sim.design.schema import Design
from targets.errors import Fault, choice_remedy, nearest, printable

KEYS = keys_of(Design)
SECTIONS = tuple(path for path, key in KEYS.items() if key.kind == "section")

_LONGEST_QUOTE = 60
_LONGEST_INT_BITS = 128  # beyond this, digits help nobody (and Python refuses to print very long ones)

_Location = tuple[int | str, ...]


def quoted(text: str) -> str:
    """Text in double quotes, printable, cut when long."""
    short = text if len(text) <= _LONGEST_QUOTE else text[:_LONGEST_QUOTE] + "..."
    return f'"{printable(short)}"'


def _int_text(value: int) -> str:
    bits = value.bit_length()
    return str(value) if bits <= _LONGEST_INT_BITS else f"a whole number of {bits} bits"


_FOUND_TEXTS: tuple[tuple[type | tuple[type, ...], Callable[[Any], str]], ...] = (
    (bool, lambda value: f"{str(value).lower()} (a boolean)"),  # before int: every bool is an int
    (int, _int_text),
    (float, number_text),
    (str, lambda value: f"the text {quoted(value)}"),
    (Mapping, lambda _: "a table"),
    ((list, tuple), lambda value: "a list" if value else "an empty list"),
    ((datetime.date, datetime.time), lambda value: f"the date or time {value}"),
)


def found_text(value: object) -> str:
    """A value of a scenario as an error message shows it."""
    for kind, text in _FOUND_TEXTS:
        if isinstance(value, kind):
            return text(value)
    return f"a {type(value).__name__}"


def place_of(location: _Location) -> str:
    """Dotted path with list positions: `command.steps[1].at_s`."""
    place = ""
    for part in location:
        if isinstance(part, int):
            place += f"[{part}]"
        else:
            name = part if part.replace("-", "_").isidentifier() else quoted(part)
            place += f".{name}" if place else name
    return place


def key_path(location: _Location) -> str:
    """Dotted path without list positions, as in `KEYS`."""
    return ".".join(part for part in location if isinstance(part, str))


def names_in(path: str) -> list[str]:
    """Names of the keys and sections directly inside a section ("" for the top of the file)."""
    return [key.name for key in KEYS.values() if key.section == path]


def allowed_text(path: str) -> str:
    """What is allowed at a dotted path; elements of lists and tables take the words of the list or table."""
    if path in KEYS:
        key = KEYS[path]
        return (
            f"{key.allowed} with the keys {', '.join(names_in(path))}"
            if key.kind == "section"
            else key.allowed
        )
    return "-1e12 to 1e12 (in the unit of the parameter)"


def _unknown_remedy(location: _Location) -> str:
    name, section = str(location[-1]), key_path(location[:-1])
    owners = [path for path in SECTIONS if name in names_in(path)]
    if owners:
        return f"{name} belongs in [{owners[0]}]"
    match = nearest(name, names_in(section))
    shown = f"[{match}]" if match in SECTIONS else match
    return f"did you mean {shown}?" if match else f"allowed here: {', '.join(names_in(section))}"


def _unknown(error: ErrorDetails) -> tuple[str, str, str]:
    kind = "section" if isinstance(error["input"], Mapping) else "key"
    return f"must be a known {kind}", found_text(error["input"]), _unknown_remedy(error["loc"])


def _missing(error: ErrorDetails) -> tuple[str, str, str]:
    path = key_path(error["loc"])
    key = KEYS[path]
    example = (
        ""
        if key.kind == "section" or key.example is None
        else f", for example {key.name} = {toml(key.example)}"
    )
    if key.kind == "section":
        return "must be there", "nothing", f"add [{path}] with the keys {', '.join(names_in(path))}"
    return "must be given", "nothing", f"add it{example} (allowed: {key.allowed})"


def _misfit(error: ErrorDetails) -> tuple[str, str, str]:
    path, value = key_path(error["loc"]), error["input"]
    is_element = bool(error["loc"]) and isinstance(error["loc"][-1], int)
    rule = _RULES.get(error["type"]) or f"must be {_wanted_at(path, is_element)}"
    if path in KEYS and KEYS[path].choices and isinstance(value, str):
        return rule, found_text(value), choice_remedy(value, KEYS[path].choices)
    return rule, found_text(value), f"allowed: {allowed_text(path)}"


def _wanted_at(path: str, is_element: bool) -> str:
    if path not in KEYS:
        return "a number"  # a parameter of the law
    key: Key = KEYS[path]
    if is_element:
        return "text" if key.choices else "a table"
    return wanted(key)


_RULES = {
    "greater_than_equal": "must not be below the lowest allowed value",
    "less_than_equal": "must not be above the highest allowed value",
    "finite_number": "must be a finite number",
    "literal_error": "must be one of the choices",
    "string_too_short": "must not be empty",
    "string_too_long": "must not be too long",
    "string_pattern_mismatch": "must stand on one line, without control characters",
}
_WRITERS = {"extra_forbidden": _unknown, "missing": _missing}


def field_faults(errors: Iterable[ErrorDetails]) -> Iterator[Fault]:
    """One fault per error of pydantic; the place is the key, without the file."""
    errors = list(errors)
    spelt = {_folded(error) for error in errors if error["type"] == "extra_forbidden"}
    for error in errors:
        if error["type"] == "default_factory_not_called":
            continue  # follows from another fault of the same section
        if error["type"] == "missing" and _folded(error) in spelt:
            continue  # it is there, in other letters
        rule, found, remedy = _WRITERS.get(error["type"], _misfit)(error)
        yield Fault(place_of(error["loc"]), rule, found, remedy)


def _folded(error: ErrorDetails) -> tuple[int | str, ...]:
    """The place of an error, whatever the case of its letters."""
    return tuple(part.lower() if isinstance(part, str) else part for part in error["loc"])


def toml(value: Any) -> str:
    """A scenario value in TOML, on one line."""
    if isinstance(value, Mapping):
        return (
            f"{{ {', '.join(f'{name} = {toml(item)}' for name, item in value.items())} }}" if value else "{}"
        )
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml, value))}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return number_text(value)
