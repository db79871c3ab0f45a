"""Lists of variants from `KEY=a,b` and `KEY=all`: every combination of several keys."""

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

from controllers import describe_law, law_path
from controllers.binding import number_kind
from sim.design import Design, Override, Variant, choices_of, is_number, key_fault, value_faults
from targets import Fault, InputError, choice_remedy, is_target_file, load_target

ALL = "all"
TARGET, LAW = "firmware.target", "firmware.law"
MOST_VARIANTS = 500
"""More rows than anyone reads; a sweep is the tool for that."""
_PARAMETERS = "firmware.parameters."
NO_FILES: Mapping[str, str] = MappingProxyType({})


@dataclass(frozen=True)
class _Choice:
    """One value of a key, and what a table calls it."""

    name: str
    value: Override


_Column = tuple[str, list[_Choice]]
"""A key and its values."""


def variants(
    design: Design, settings: Iterable[str], target_files: Mapping[str, str] = NO_FILES
) -> list[Variant]:
    """Every combination of the values of `KEY=a,b,...` settings, the last key varying fastest.

    Args:
        design: what the variants start from.
        settings: as the user writes them.
        target_files: name -> data file of targets that take part beside the shipped ones.
    Raises:
        InputError: a setting is no `KEY=values`, `all` is asked of a key without a list of values, a key
        comes twice, a value could stand at its key in no design, a target file is left out, or there are
        more than MOST_VARIANTS combinations.
    """
    columns = [_column(design, setting, target_files) for setting in settings]
    keys = [key for key, _ in columns]
    if len(set(keys)) != len(keys):
        raise InputError(
            [Fault("--vary", "must name a key once", ", ".join(keys), "put its values in one list")]
        )
    combinations = list(itertools.product(*(choices for _, choices in columns)))
    if len(combinations) > MOST_VARIANTS:
        found = f"{len(combinations):,} combinations"
        raise InputError([Fault("--vary", f"must give at most {MOST_VARIANTS}", found, "shorten a list")])
    _check(design, columns, target_files)
    return [_variant(keys, choices) for choices in combinations]


def _column(design: Design, setting: str, target_files: Mapping[str, str]) -> _Column:
    """Key and values of one setting."""
    key, sign, text = (part.strip() for part in setting.partition("="))
    values = [value.strip() for value in text.split(",")]
    if not sign or not key or not all(values):
        example = "for example firmware.target=acc8,m0 or firmware.target=all"
        raise InputError([Fault("--vary", "must be KEY=a,b,... or KEY=all", repr(setting), example)])
    fault = key_fault(key)
    if fault is not None:
        raise InputError([replace(fault, place="--vary")])
    listed = _listed(design, key, values, target_files)
    choices = [_choice(key, value, target_files) for value in listed]
    if twice := _twice(key, listed, choices):
        raise InputError([Fault("--vary", f"must list each value of {key} once", twice, "leave one out")])
    return key, choices


def _twice(key: str, listed: Sequence[str], choices: Sequence[_Choice]) -> str:
    """The words for one value that a list names more than once, such as 5, 5.0 or a.py, ./a.py; empty where
    none is."""
    is_file = key in (TARGET, LAW)
    own = [Path(str(choice.value)).resolve() if is_file else choice.value for choice in choices]
    first = next((value for value in own if own.count(value) > 1), None)
    return ", ".join(text for text, value in zip(listed, own, strict=True) if value == first)


def _listed(design: Design, key: str, values: list[str], target_files: Mapping[str, str]) -> Sequence[str]:
    """The values themselves, or all that the key can have."""
    if values != [ALL]:
        return values
    choices = choices_of(design, key)
    if choices and key == TARGET:
        return list({_target_name(name): name for name in (*choices, *target_files.values())}.values())
    if choices:
        return choices
    raise InputError([Fault("--vary", f"must list the values of {key}", ALL, "write KEY=a,b,...")])


def _choice(key: str, text: str, target_files: Mapping[str, str]) -> _Choice:
    """A value as overrides take it: a number where the text is one. Numbers are shown with their key."""
    if is_number(key):
        joint = " " if text.startswith("x") else " = "
        return _Choice(f"{key.rpartition('.')[2]}{joint}{text}", _number(text))
    value = target_files.get(text, text) if key == TARGET else text
    return _Choice(_target_name(value) if key == TARGET else text, value)


def _target_name(name: str) -> str:
    """What a target is called: a file says it; one with faults is refused later."""
    try:
        return load_target(name).name if is_target_file(name) else name
    except InputError:
        return name


def _number(text: str) -> Override:
    """A number where the text is one; other text as it is (a change such as x1.2, or a slip)."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _check(design: Design, columns: Sequence[_Column], target_files: Mapping[str, str]) -> None:
    """Refuse values that no design can have, all at once, and target files that nobody asks for."""
    faults = [
        replace(fault, place=f"--vary {key}" if fault.place == key else fault.place)
        for key, choices in columns
        for choice in choices
        for fault in (*value_faults(design, key, choice.value), *_firmware_faults(key, choice.value))
    ]
    faults += _parameter_faults(design, columns)
    compared = {choice.value for key, choices in columns if key == TARGET for choice in choices}
    for name, file in target_files.items():
        if file not in {*compared, design.firmware.target}:
            remedy = f"add --vary {TARGET}=all, or {name} to its list"
            faults.append(Fault("--target-file", "must be compared", name, remedy))
    if faults:
        raise InputError(dict.fromkeys(faults))


def _firmware_faults(key: str, value: Override) -> tuple[Fault, ...]:
    """What only the compiler knows: names of arithmetics, law files that are not there."""
    try:
        if key == "firmware.arithmetic":
            number_kind(str(value))
        if key == LAW:
            law_path(str(value))
    except InputError as refused:
        return refused.faults
    return ()


def _parameter_faults(design: Design, columns: Sequence[_Column]) -> list[Fault]:
    """Parameters that none of the compared laws has."""
    laws = dict(columns).get(LAW, [_Choice("", design.firmware.law)])
    wanted = [key for key, _ in columns if key.startswith(_PARAMETERS)]
    if not wanted:
        return []
    known = [p.key for law in laws for p in describe_law(law_path(str(law.value))).parameters]
    return [
        Fault(f"--vary {key}", "must be a parameter of a compared law", key.removeprefix(_PARAMETERS),
              choice_remedy(key.removeprefix(_PARAMETERS), dict.fromkeys(known)))
        for key in wanted
        if key.removeprefix(_PARAMETERS) not in known
    ]  # fmt: skip


def _variant(keys: Sequence[str], choices: Sequence[_Choice]) -> Variant:
    overrides = {key: choice.value for key, choice in zip(keys, choices, strict=True)}
    return Variant(", ".join(choice.name for choice in choices), overrides)
