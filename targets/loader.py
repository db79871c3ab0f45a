"""Reads a target data file into a checked `Target`; every fault of the file is reported at once."""

from __future__ import annotations

import functools
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from targets.cost_keys import COST_KEYS
from targets.errors import Fault, InputError, choice_remedy, nearest, printable
from targets.schema import Cost, Target, TargetFile
from targets.sections import Compiler, CostRow, Frame, Interrupt

DATA_FOLDER = Path(__file__).parent / "data"
SUFFIX = ".toml"
NameFaults = Callable[[Mapping[str, Any], str], Iterable[Fault]]
"""From the raw file and its name to what is wrong with the target's name."""

_SECTIONS = ("clock", "memory", "step_timer", "pwm", "interrupt", "frame", "routines")
_INTERRUPT_CYCLES = (
    "entry_cycles", "exit_cycles", "call_cycles", "return_cycles", "poll_cycles", "tail_chain_cycles",
)  # fmt: skip
# Which float kinds a floating-point unit computes: their additions call no routine, all others do.
_FLOATS_IN_HARDWARE = {"none": (), "f32": ("f32",), "f64": ("f32", "f64")}
MOST_KEYS_NAMED = 12
_MOST_FILES_KEPT = 32
_LONGEST_QUOTE = 80
_OWN_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}")
_WORDS = ("all",)  # `--vary firmware.target=all`
_KNOWN_KEYS = frozenset(COST_KEYS)
_TARGET_SECTION, _SCENARIO_SECTION = "costs", "motor"  # that the other of the two files never has

# What to do about an error of pydantic's, by its type; any other type is a value of the wrong kind.
_REMEDIES = {
    "missing": "add it",
    "model_type": "write it as a table",
    "extra_forbidden": "remove it or correct its spelling",
    "string_too_short": "say where the value comes from, or what it is",
    "string_pattern_mismatch": "say where the value comes from, or what it is",
}
_RULES = {
    "missing": "this must be given",
    "model_type": "this must be a table of keys",
    "tuple_type": "this must be a list of numbers",
    "extra_forbidden": "no key of this name is known here",
    "string_too_short": "the text must not be empty",
    "string_pattern_mismatch": "the text must not be blank",
    "literal_error": "this must be one of the words that are known here",
    "int_type": "this must be a whole number",
    "float_type": "this must be a number",
    "finite_number": "this must be a finite number",
    "bool_type": "this must be true or false",
    "string_type": "this must be a text",
    "dict_type": "this must be a table of keys",
    "too_short": "this list must not be empty",
    "too_long": "this list must have {max_length} numbers",
    "greater_than": "this must be more than {gt:,}",
    "greater_than_equal": "this must be {ge:,} or more",
    "less_than": "this must be less than {lt:,}",
    "less_than_equal": "this must be {le:,} or less",
}
"""What pydantic found -> the rule, with the numbers of its context; a test tries what there can be."""


def target_names() -> list[str]:
    """Names of the targets that come with tickspin, sorted."""
    return sorted(path.stem for path in DATA_FOLDER.glob(f"*{SUFFIX}"))


def is_target_file(name: str) -> bool:
    """Whether a target is named by the path of its data file, and not as one of the shipped ones."""
    return name.endswith(SUFFIX)


def holds_target(data: Mapping[str, Any]) -> bool:
    """Whether this is what a target's data file holds, with or without faults, and no other file."""
    return _TARGET_SECTION in data


def load_target(name: str) -> Target:
    """The target `name`: one that comes with tickspin, or the one in the user's data file, a path that ends
    in .toml.

    Raises:
        InputError: with all the faults of the file, or with one that lists the names where there is no such
        target.
    """
    return _load_own(name, _stamp(Path(name))) if is_target_file(name) else _load_shipped(name)


@functools.cache
def _load_shipped(name: str) -> Target:
    names = target_names()
    if name not in names:
        raise InputError([Fault("target", "the target must exist", repr(name), choice_remedy(name, names))])
    return _read_target(DATA_FOLDER / f"{name}{SUFFIX}", partial(_asked_name_faults, name))


def _stamp(path: Path) -> tuple[int, int] | None:
    """What tells a file from the same one edited."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return found.st_mtime_ns, found.st_size


@functools.lru_cache(maxsize=_MOST_FILES_KEPT)
def _load_own(name: str, stamp: tuple[int, int] | None) -> Target:
    """A variant of a design asks for its target again and again: files are kept until they change."""
    del stamp
    return _read_target(Path(name), _own_name_faults)


def _read_target(path: Path, name_faults: NameFaults) -> Target:
    raw = _read_toml(path)
    if _SCENARIO_SECTION in raw and not holds_target(raw):
        remedy = "give the file of a microcontroller, as tickspin new --target writes it"
        raise InputError([Fault(printable(str(path)), "the file must hold a target", "a scenario", remedy)])
    faults = [*name_faults(raw, path.name), *_content_faults(raw, path.name)]
    try:
        file = TargetFile.model_validate(raw)
    except ValidationError as error:
        faults = [_fault_from(details, path.name) for details in error.errors()] + faults
    if faults:
        raise InputError(faults)
    return _target_from(file)


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        found = error.strerror or "an error"
        fault = Fault(
            printable(str(path)), "the file must be readable", found, "check the path and its rights"
        )
    except (ValueError, RecursionError) as error:  # of syntax, of UTF-8, of thousands of digits
        fault = Fault(
            printable(str(path)), "the file must be TOML in UTF-8", str(error), "correct the syntax"
        )
    raise InputError([fault])


def _fault_from(details: ErrorDetails, file: str) -> Fault:
    """The Fault that says what pydantic found, at the same key."""
    place = f"{file}: {'.'.join(str(part) for part in details['loc']) or 'top level'}"
    kind = details["type"]
    if kind == "broken_rule":
        context = details["ctx"]
        return Fault(place, context["rule"], context["found"], context["remedy"])
    found = "none" if kind == "missing" else _shown(details["input"])
    rule = _RULES[kind].format(**details.get("ctx", {}))
    if kind == "literal_error":
        return Fault(place, rule, found, f"write {details['ctx']['expected']}")
    if details["loc"] == ("price_source",):
        rule, remedy = (
            "a price must be marked as indicative",
            "begin with 'indicative' and say where it is from",
        )
        return Fault(place, rule, found, remedy)
    return Fault(place, rule, found, _REMEDIES.get(kind, "correct the value"))


def _asked_name_faults(name: str, raw: Mapping[str, Any], file: str) -> Iterator[Fault]:
    """A shipped file that holds another target than the one asked for."""
    if raw.get("name", name) != name:
        rule = f"the name must be {name!r}, as asked for"
        yield Fault(f"{file}: name", rule, repr(raw["name"]), "make them equal")


def _own_name_faults(raw: Mapping[str, Any], file: str) -> Iterator[Fault]:
    """The name of a user's target, which lists such as `acc8,m0` and messages must tell from all others."""
    name = raw.get("name")
    if isinstance(name, str) and (fault := name_fault(f"{file}: name", name)):
        yield fault


def name_fault(place: str, name: str) -> Fault | None:
    """What is wrong with a name for a user's target, at a place."""
    if not _OWN_NAME.fullmatch(name):
        rule, remedy = "a target's name is letters, digits, _ and -", "for example my_chip"
    elif name in target_names():
        rule, remedy = "the name must not be that of a shipped target", f"call it my_{name}, for example"
    elif name in _WORDS:
        rule, remedy = "the name must not be a word of the command", "call it my_chip, for example"
    else:
        return None
    return Fault(place, rule, _shown(name), remedy)


def _shown(value: object) -> str:
    """A value of the file in a message, cut when long."""
    text = repr(value)
    return text if len(text) <= _LONGEST_QUOTE else f"{text[:_LONGEST_QUOTE]}..."


def _content_faults(raw: Mapping[str, Any], file: str) -> Iterator[Fault]:
    """Faults between parts of the file, sought in the raw file so that a fault in one record hides none."""
    rows = list(_raw_rows(raw))
    yield from _key_faults(rows, file)
    yield from _routine_faults(rows, raw.get("routines"), file)
    yield from _float_faults(rows, raw, file)


def _raw_rows(raw: Mapping[str, Any]) -> Iterator[tuple[str, str, Any]]:
    """(group, cost key, row) of every cost row in the file."""
    groups = raw.get("costs")
    for group, table in groups.items() if isinstance(groups, dict) else ():
        for key, row in table.items() if isinstance(table, dict) else ():
            if key != "source":
                yield group, key, row


def _key_faults(rows: Iterable[tuple[str, str, Any]], file: str) -> Iterator[Fault]:
    """Cost keys that are unknown, priced twice or not priced."""
    places: dict[str, list[str]] = {}
    for group, key, _ in rows:
        places.setdefault(key, []).append(group)
    for key, groups in places.items():
        place = f"{file}: costs.{groups[0]}.{key}"
        if key not in _KNOWN_KEYS:
            near = nearest(key, COST_KEYS)
            remedy = f"write {near} or remove the row" if near else "remove the row"
            yield Fault(place, "a cost key must be one of targets.cost_keys", repr(key), remedy)
        if len(groups) > 1:
            found = f"it also in {', '.join(groups[1:])}"
            yield Fault(place, "a cost key must be priced once", found, "keep one row")
    missing = [key for key in COST_KEYS if key not in places]
    if missing and places:  # without any row the cost table itself is the fault
        more = f" and {len(missing) - MOST_KEYS_NAMED} more" if len(missing) > MOST_KEYS_NAMED else ""
        found = f"no row for {', '.join(missing[:MOST_KEYS_NAMED])}{more}"
        yield Fault(f"{file}: costs", "every operation must be priced", found, "add them")


def _routine_faults(rows: Iterable[tuple[str, str, Any]], routines: object, file: str) -> Iterator[Fault]:
    """Routines that are called but have no size, and the reverse."""
    sizes = set(routines) - {"source"} if isinstance(routines, dict) else set()
    named = (row.get("routine") for *_, row in rows if isinstance(row, dict))
    calls = {routine for routine in named if isinstance(routine, str)}
    for routine in sorted(calls - sizes):
        rule = "every routine called must have a size"
        yield Fault(f"{file}: routines", rule, f"none for {routine!r}", "add its flash bytes")
    for routine in sorted(sizes - calls):
        rule = "every routine must be called by a cost row"
        yield Fault(f"{file}: routines.{routine}", rule, "no row", "remove it")


def _float_faults(rows: Iterable[tuple[str, str, Any]], raw: Mapping[str, Any], file: str) -> Iterator[Fault]:
    """A floating-point unit beside additions by routine, or the reverse; the ideal machine has neither."""
    in_hardware = _FLOATS_IN_HARDWARE.get(str(raw.get("floating_point_unit")))
    if in_hardware is None or raw.get("exact_arithmetic") is True:
        return
    for group, key, row in rows:
        kind = key.removesuffix("_add")
        if kind not in ("f32", "f64") or kind == key or not isinstance(row, dict):
            continue
        calls = row.get("routine") is not None
        if calls == (kind in in_hardware):
            rule = "an addition calls a routine unless the floating-point unit does it"
            found = (
                f"floating_point_unit = {raw['floating_point_unit']!r} and {'a' if calls else 'no'} routine"
            )
            yield Fault(f"{file}: costs.{group}.{key}", rule, found, "correct one of the two")


def _target_from(file: TargetFile) -> Target:
    """The Target of a checked file. Here, and only here, instruction cycles become CPU clock cycles."""
    clocks = file.clock.clocks_per_instruction
    costs = {key: _cost_from(row, clocks) for group in file.costs.values() for key, row in group.rows.items()}
    sources = {section: getattr(file, section).source for section in _SECTIONS}
    sources |= {"price_USD": file.price_source, "core": file.core_source}
    sources |= {f"costs.{name}": group.source for name, group in file.costs.items()}
    if file.compiler is not None:
        sources["compiler"] = file.compiler.source
    return Target(
        name=file.name,
        title=file.title,
        core=file.core,
        floating_point_unit=file.floating_point_unit,
        price_USD=file.price_USD,
        exact_arithmetic=file.exact_arithmetic,
        clock=file.clock,
        memory=file.memory,
        step_timer=file.step_timer,
        pwm=file.pwm,
        interrupt=_interrupt_in_clocks(file.interrupt, clocks),
        frame=_frame_in_clocks(file.frame, clocks),
        compiler=file.compiler and _compiler_in_clocks(file.compiler, clocks),
        costs={key: costs[key] for key in COST_KEYS},
        routines=file.routines.by_name,
        sources=sources,
    )


def _interrupt_in_clocks(interrupt: Interrupt, clocks: int) -> Interrupt:
    in_clocks = {field: getattr(interrupt, field) * clocks for field in _INTERRUPT_CYCLES}
    return interrupt.model_copy(update=in_clocks)


def _frame_in_clocks(frame: Frame, clocks: int) -> Frame:
    saved = {
        name: row.model_copy(update={"cycles": tuple(cycles * clocks for cycles in row.cycles)})
        for name, row in (("leaf", frame.leaf), ("calling", frame.calling))
    }
    return frame.model_copy(update={**saved, "in_entry_cycles": frame.in_entry_cycles * clocks})


def _compiler_in_clocks(compiler: Compiler, clocks: int) -> Compiler:
    return compiler.model_copy(update={"address_cycles": compiler.address_cycles * clocks})


def _cost_from(row: CostRow, clocks: int) -> Cost:
    low, typical, high = (cycles * clocks for cycles in row.cycles)
    return Cost(
        cycles_min=low, cycles_typical=typical, cycles_max=high, flash_bytes=row.bytes, routine=row.routine
    )
