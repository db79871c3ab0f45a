"""`python -m targets.isa.regenerate [NAME ...]` rewrites measured rows of target files from compiled code.

Measured are the cost groups whose source begins with "measured:", and the routines. Everything else of a
file, comments included, stays as it is.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

from targets.errors import InputError
from targets.isa.compiler import compiler_version
from targets.isa.measure_ops import MeasuredRow, Measurement, measure
from targets.loader import DATA_FOLDER

MEASURED_TARGETS: Final = ("avr25", "avr5", "m0", "m0plus", "m3", "m4f", "rv32imc", "rv32ec")
MARK: Final = "measured:"
_SECTION: Final = re.compile(r"^\[(.+)\]$")
_KEY: Final = re.compile(r"^(\w+)\s*=")


def regenerated_text(text: str, measurement: Measurement, version: str) -> str:
    """The data file `text` with its measured rows replaced. Raises KeyError for a row without a probe."""
    raw = tomllib.loads(text)
    groups = {f"costs.{name}": group for name, group in raw["costs"].items() if _is_measured(group)}
    called = {
        measurement.rows[key].routine for group in groups.values() for key in group if key != "source"
    } - {None}
    lines: list[str] = []
    section = ""
    for line in text.splitlines():
        found = _SECTION.match(line)
        section = found[1] if found else section
        key = _KEY.match(line)
        if key and key[1] == "source" and (section in groups or section == "routines"):
            lines.append(_source_line(line, version))
            if section == "routines":
                lines.extend(_routine_lines(measurement, called))
        elif key and section in groups:
            lines.append(_row_line(key[1], groups[section], measurement.rows[key[1]]))
        elif not (key and section == "routines"):
            lines.append(line)
    return "\n".join(lines) + "\n"


def _is_measured(group: dict[str, Any]) -> bool:
    return str(group["source"]).startswith(MARK)


def _source_line(line: str, version: str) -> str:
    """What follows the first semicolon of the old source is kept."""
    kept = line.partition(";")[2]
    text = f'source = "{MARK} {version}, -Os'
    return f"{text};{kept}" if kept else f'{text}"'


def _row_line(key: str, group: Iterable[str], row: MeasuredRow) -> str:
    width = max(len(name) for name in group if name != "source")
    cycles = ", ".join(map(str, row.cycles))
    routine = f', routine = "{row.routine}"' if row.routine else ""
    return f"{key:<{width}} = {{ cycles = [{cycles}], bytes = {row.bytes}{routine} }}"


def _routine_lines(measurement: Measurement, called: set[str | None]) -> Iterator[str]:
    names = [name for name in measurement.routines if name in called]
    width = max((len(name) for name in names), default=0)
    for name in names:
        routine = measurement.routines[name]
        yield f"{name:<{width}} = {{ bytes = {routine.bytes}, stack_bytes = {routine.stack_bytes} }}"


def regenerate(name: str, folder: Path = DATA_FOLDER) -> bool:
    """Rewrite the measured rows of the target file `name` in `folder`; tells whether they changed.

    Raises InputError where the compiler or the extra `measure` is missing.
    """
    path = folder / f"{name}.toml"
    before = path.read_text(encoding="utf-8")
    after = regenerated_text(before, measure(name), compiler_version(name))
    if after != before:
        path.write_text(after, encoding="utf-8")
    return after != before


def main(names: list[str]) -> int:
    """Regenerate the named targets, or all that are measured; returns the exit status."""
    unknown = [name for name in names if name not in MEASURED_TARGETS]
    if unknown:
        print(
            f"not measured: {', '.join(unknown)}; choose from {', '.join(MEASURED_TARGETS)}", file=sys.stderr
        )
        return 2
    try:
        for name in names or MEASURED_TARGETS:
            print(f"{name}: {'rewritten' if regenerate(name) else 'as it was'}", flush=True)
    except InputError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
