"""`--target-file`: a microcontroller of the user's own, known under its name for one call."""

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer

from targets import Fault, InputError, is_target_file, load_target

OPTION = "--target-file"
OneTargetFile = Annotated[
    Path | None,
    typer.Option(
        OPTION, metavar="FILE", help="Take the microcontroller of this file (`tickspin new --target`)."
    ),
]
TargetFiles = Annotated[
    list[Path] | None,
    typer.Option(OPTION, metavar="FILE", help="A microcontroller of your own to compare; can be repeated."),
]


def names_of(files: Iterable[Path]) -> dict[str, str]:
    """Name -> file of the targets in data files.

    Raises:
        InputError: with the faults of a file, or two files with one name.
    """
    names: dict[str, str] = {}
    for file in files:
        if not is_target_file(str(file)):
            raise InputError(
                [Fault(OPTION, "must be a .toml file", f"{file}", "write one: tickspin new --target")]
            )
        name = load_target(str(file)).name
        if names.setdefault(name, str(file)) != str(file):
            found = f"{name} in {names[name]} and {file}"
            raise InputError([Fault(OPTION, "must give each target a name of its own", found, "rename one")])
    return names


def chosen_target(target: str | None, file: Path | None) -> tuple[str | None, dict[str, str]]:
    """The target that `--target` and `--target-file` stand for together, and the names that they add.

    Raises:
        InputError: with the faults of the file, or the two name different targets.
    """
    if file is None:
        return target, {}
    names = names_of([file])
    if target is not None and target not in names:
        rule = f"must be {', '.join(names)}, as in {file}, or left out"
        raise InputError([Fault("--target", rule, target, f"leave out --target or {OPTION}")])
    return str(file), names
