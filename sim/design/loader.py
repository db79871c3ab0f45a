"""From a scenario file, or a dictionary, to a Design; or to one InputError with every fault there is."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError

from sim.design.catalogue import is_target, target_faults
from sim.design.faults import field_faults, found_text, key_path
from sim.design.rules import rule_faults
from sim.design.schema import Design
from targets.errors import Fault, InputError, printable

MAX_FILE_BYTES = 1_000_000
FILE_KEYS = (("firmware", "law", ".py"), ("firmware", "target", ".toml"), ("motor", "back_emf_file", ""))
"""Keys that may name a file, as seen from the scenario's folder, where the name has that ending."""

_TOML_POSITION = re.compile(r"\s*\(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")


def load_design(path: Path | str, target_files: Mapping[str, str] = MappingProxyType({})) -> Design:
    """Read and check a scenario file.

    target_files: name -> data file of targets that the scenario may name beside the shipped ones. Raises
    InputError with all faults; places are "FILE: section.key", or "FILE:line:column" for a fault of the TOML
    syntax.
    """
    path = Path(path)
    source = printable(str(path))
    data = _parse(_read(path, source), source)
    for section, key, ending in FILE_KEYS:
        name = _text_at(data, section, key)
        if name and name.endswith(ending):
            data[section][key] = str(path.parent / name)
    target = _text_at(data, "firmware", "target")
    if target in target_files:
        data["firmware"]["target"] = target_files[target]
    return design_from_dict(data, source)


def _text_at(data: Mapping[str, Any], section: str, key: str) -> str:
    """The text that a key holds; empty where there is none."""
    table = data.get(section)
    value = table.get(key) if isinstance(table, Mapping) else None
    return value if isinstance(value, str) else ""


def design_from_dict(data: Mapping[str, Any], source: str = "scenario") -> Design:
    """Check a scenario given as nested dictionaries (what `tomllib` makes of a file).

    source: name that stands in front of every key in a message. Raises InputError with all faults.
    """
    faults: list[Fault] = []
    faulty: set[str] = set()
    design = None
    try:
        design = Design.model_validate(data)
    except ValidationError as refused:
        errors = refused.errors(include_url=False)
        faults.extend(field_faults(errors))
        faulty.update(key_path(error["loc"]) for error in errors)
    faults.extend(rule_faults(data, faulty))
    faults = [dataclasses.replace(fault, place=join_place(source, fault.place)) for fault in faults]
    faults.extend(target_faults(_text_at(data, "firmware", "target")))
    if faults or design is None:
        raise InputError(faults)
    return design


def join_place(source: str, place: str) -> str:
    """A place with the name of its source before it, where there is one."""
    return ": ".join(part for part in (source, place) if part)


def _read(path: Path, source: str) -> str:
    """The text of a scenario file; a byte order mark, as some editors leave it, is dropped."""
    try:
        if path.is_dir():
            raise _fault(source, "must be a scenario file", "a folder", "give the path of a .toml file in it")
        if path.exists() and not path.is_file():
            raise _fault(
                source, "must be an ordinary file", "a device or a pipe", "save the scenario as a .toml file"
            )
        with path.open("rb") as file:
            raw = file.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        remedy = f"check the path, or write a starter scenario with: tickspin new {source}"
        raise _fault(source, "must be an existing file", "nothing there", remedy) from None
    except (OSError, ValueError) as refused:
        reason = getattr(refused, "strerror", None) or str(refused)
        raise _fault(
            source, "must be a file that can be read", reason, "check the path and its permissions"
        ) from None
    if len(raw) > MAX_FILE_BYTES:
        found = "a larger file"
        raise _fault(source, f"must be at most {MAX_FILE_BYTES} bytes", found, "is this really a scenario?")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as refused:
        found = f"byte 0x{raw[refused.start]:02x} at position {refused.start}"
        raise _fault(
            source, "must be a text file in UTF-8", found, "save the scenario as UTF-8 text"
        ) from None


def _parse(text: str, source: str) -> dict[str, Any]:
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise _fault(
            source, "must be valid TOML", "lists or tables nested too deeply", "flatten them"
        ) from None
    except ValueError as refused:  # TOMLDecodeError, and what int() says about thousands of digits
        raise _syntax_fault(source, text, str(refused)) from None
    if not data:
        remedy = "write a starter scenario with: tickspin new FILE"
        raise _fault(source, "must hold a scenario", "an empty file", remedy)
    if is_target(data):
        remedy = f"give a scenario, and this file with --target-file {source}"
        raise _fault(source, "must hold a scenario", "the data file of a target", remedy)
    return data


def _syntax_fault(source: str, text: str, message: str) -> InputError:
    """A fault of the TOML syntax, at its line as far as tomllib tells it."""
    position = _TOML_POSITION.search(message)
    reason = message[: position.start()] if position else message
    if position is None:
        return _fault(source, "must be valid TOML", reason, "correct it")
    line = int(position["line"] or max(1, len(text.splitlines())))
    place = f"{source}:{line}" + (f":{position['column']}" if position["column"] else "")
    lines = text.splitlines()
    found = f"{found_text(lines[line - 1].strip())} ({reason})" if line <= len(lines) else reason
    return _fault(place, "must be valid TOML", found, "correct this line")


def _fault(place: str, rule: str, found: str, remedy: str) -> InputError:
    return InputError([Fault(place, rule, found, remedy)])
