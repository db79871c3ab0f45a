"""Whether a value can stand at a key at all, whatever the other keys say."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from sim.design.catalogue import target_faults
from sim.design.faults import field_faults, key_path
from sim.design.overrides import Override, with_override
from sim.design.rules import RULES
from sim.design.schema import Design
from targets.errors import Fault, InputError


def value_faults(design: Design, key: str, value: Override) -> tuple[Fault, ...]:
    """What is wrong with an override by itself: no such key, a value of the wrong kind, out of bounds, none
    of the choices, the name of nothing. A value that only contradicts another key has no fault here.

    Args:
        design: what relative changes such as "x1.2" start from.
        key: dotted.
        value: as `apply_overrides` takes it.
    """
    try:
        data = with_override(design, key, value)
    except InputError as refused:
        return refused.faults
    return (*_field_faults(data, key), *_rule_faults(data, key))


def _field_faults(data: dict[str, Any], key: str) -> list[Fault]:
    """What the schema says about the key."""
    try:
        Design.model_validate(data)
    except ValidationError as refused:
        errors = refused.errors(include_url=False)
        return list(field_faults(error for error in errors if key_path(error["loc"]).startswith(key)))
    return []


def _rule_faults(data: dict[str, Any], key: str) -> list[Fault]:
    """What the rules say that ask for this key alone, and the file that it may name."""
    section, _, name = key.partition(".")
    value = data.get(section, {}).get(name) if name else None
    faults = [rule.check(value) for rule in RULES if rule.keys == (key,)]
    files = target_faults(value) if key == "firmware.target" and isinstance(value, str) else ()
    return [*(fault for fault in faults if fault is not None), *files]
