"""Variants: a design with some keys changed, checked again like a file."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sim.design.faults import KEYS, SECTIONS, found_text, place_of, quoted
from sim.design.loader import design_from_dict, join_place
from sim.design.schema import Design
from targets.errors import Fault, InputError, nearest

Override = float | int | str | list[Any] | dict[str, Any] | None

_CHANGE = re.compile(r"(?P<sign>[x+-]?)(?P<number>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)")
_PARAMETERS = "firmware.parameters."
_CHANGEABLE = {
    path: key for path, key in KEYS.items() if key.kind != "section" and key.section in ("", *SECTIONS)
}


@dataclass(frozen=True)
class Variant:
    """A name and the keys in which a design differs from its scenario; see `apply_overrides`."""

    name: str
    overrides: Mapping[str, Override] = field(default_factory=dict)


def apply_overrides(design: Design, overrides: Mapping[str, Override], source: str = "override") -> Design:
    """The design with some keys changed.

    overrides: dotted key -> new value. For a key that holds a number, text changes it: "x1.2" multiplies by
    1.2, "+0.5" and "-0.5" add, "7" sets. None takes the key out, as if the scenario did not state it. Keys
    that the scenario does not state keep following their defaults (the clock of another target, stiction).
    source: name that stands in front of every key in a message, if any. Raises InputError with all faults.
    """
    data: dict[str, Any] = design.model_dump(exclude_unset=True, mode="python")
    faults = []
    for path, value in overrides.items():
        try:
            _set(data, path, _resolve(design, path, value))
        except _OverrideError as refused:
            faults.append(Fault(join_place(source, place_of(tuple(path.split(".")))), *refused.args))
    if faults:
        raise InputError(faults)
    return design_from_dict(data, source)


def with_override(design: Design, path: str, value: Override) -> dict[str, Any]:
    """What a design states, as nested dictionaries, with one key changed but not checked.

    Raises:
        InputError: there is no such key, or its value is no change.
    """
    data: dict[str, Any] = design.model_dump(exclude_unset=True, mode="python")
    try:
        _set(data, path, _resolve(design, path, value))
    except _OverrideError as refused:
        raise InputError([Fault(place_of(tuple(path.split("."))), *refused.args)]) from None
    return data


def stated_values(design: Design, paths: Iterable[str]) -> dict[str, Override]:
    """What a design states at dotted keys, such that `apply_overrides` puts it there again; None for what it
    does not state."""
    data = design.model_dump(exclude_unset=True, mode="python")
    values: dict[str, Override] = {}
    for path in paths:
        value: Any = data
        for name in _parts(path):
            value = value.get(name) if isinstance(value, dict) else None
        values[path] = list(value) if isinstance(value, tuple) else value
    return values


class _OverrideError(Exception):
    """Rule, found value and remedy of an override that cannot be carried out."""


def _resolve(design: Design, path: str, value: Override) -> Override:
    """The new value of a key, with changes relative to the old value worked out."""
    base = _number_type(path)
    if base is None or not isinstance(value, str):
        return value
    change = _CHANGE.fullmatch(value.strip())
    if change is None:
        raise _OverrideError(
            "must be a number or a change of one", quoted(value), 'write 7, "x1.2", "+0.5" or "-0.5"'
        )
    number = float(change["number"])
    if change["sign"]:
        number = _changed(_current(design, path), change["sign"], number)
    return int(number) if base is int and number.is_integer() else number


def _changed(old: float | None, sign: str, number: float) -> float:
    if old is None:
        raise _OverrideError(
            "must have a value that can be changed", "nothing", "give a plain number, or state the key first"
        )
    if sign == "x" and old == 0:
        raise _OverrideError("must not be 0 for a factor to change it", "0", "give a plain number")
    return {"x": old * number, "+": old + number, "-": old - number}[sign]


def _number_type(path: str) -> type | None:
    """float or int for a key that holds a number, None for other keys. Refuses what is no key."""
    if path.startswith(_PARAMETERS):
        return float
    key = _CHANGEABLE.get(path)
    if key is None:
        match = nearest(path, _CHANGEABLE)
        hint = f"did you mean {match}?" if match else 'write SECTION.KEY, for example "drive.supply_V"'
        raise _OverrideError("must be a key of the scenario", quoted(path), hint)
    return key.base if key.kind == "number" else None


def key_fault(path: str) -> Fault | None:
    """What is wrong with a dotted key itself; None where the scenario has it."""
    try:
        _number_type(path)
    except _OverrideError as refused:
        return Fault(place_of(tuple(path.split("."))), *refused.args)
    return None


def is_number(path: str) -> bool:
    """Whether a dotted key, one that there is, holds a number."""
    return _number_type(path) is not None


def _current(design: Design, path: str) -> Any:
    """The value in force at a dotted key; None where there is none."""
    if path.startswith(_PARAMETERS):
        return design.firmware.parameters.get(path.removeprefix(_PARAMETERS))
    value: Any = design
    for name in path.split("."):
        value = getattr(value, name)
    return value


def _parts(path: str) -> list[str]:
    """The names of a dotted key; that of a parameter may have dots itself."""
    return path.split(".", 2 if path.startswith(_PARAMETERS) else 1)


def _set(data: dict[str, Any], path: str, value: Override) -> None:
    """Put a value at a dotted key, or take the key out when the value is None."""
    parts = _parts(path)
    for name in parts[:-1]:
        data = data.setdefault(name, {})
        if not isinstance(data, dict):
            raise _OverrideError(
                "must lie in a table", found_text(data), f"do not override {name} as a whole as well"
            )
    if value is None:
        data.pop(parts[-1], None)
    else:
        data[parts[-1]] = copy.deepcopy(value)
