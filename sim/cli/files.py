"""Output files: written whole or not at all."""

import os
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

from targets import Fault, InputError

KEPT = (".toml", ".py")
"""Suffixes of what people write: scenarios, target files, laws. No output takes the place of one."""


def check_outputs(files: Mapping[str, Path], source: Path | None = None) -> None:
    """Refuse output files (option: path) before the work is done.

    Raises:
        InputError: a path cannot be written, is named twice, or is the input itself or another of KEPT.
    """
    taken = {source.absolute(): "the input itself"} if source else {}
    for option, path in files.items():
        if option == "--plot" and path.suffix.lower() != ".png":
            raise InputError([Fault(option, "must end in .png", f"{path}", "the figure is a PNG")])
        _check_writable(path, option)
        owner = taken.setdefault(path.absolute(), option)
        if owner != option:
            found = f"{path}, which is {owner}"
            raise InputError([Fault(option, "must name a file of its own", found, "choose another name")])
        if path.suffix.lower() in KEPT and path.exists():
            rule, found = "must not replace a scenario, target or law", f"{path}, which exists"
            raise InputError([Fault(option, rule, found, "choose another name")])


def _check_writable(path: Path, option: str) -> None:
    """Refuse an output path before the work is done.

    Raises:
        InputError: the folder does not exist, or the path is a folder.
    """
    try:
        if path.is_dir() or str(path) == "-":
            raise InputError([Fault(option, "must name a file", f"{path}", "add a file name")])
        if path.exists() and not path.is_file():
            raise InputError([Fault(option, "must name an ordinary file", f"{path}", "choose another name")])
        if not path.parent.is_dir():
            found, remedy = str(path), f"make {path.parent} first"
            raise InputError([Fault(option, "must lie in an existing folder", found, remedy)])
    except OSError as refused:
        raise InputError(
            [Fault(option, "must be a usable path", str(refused.strerror), "shorten it")]
        ) from None


def write_whole(path: Path, write: Callable[[Path], None]) -> None:
    """Let `write` fill a temporary file beside `path`, then put it in place at once.

    Raises:
        InputError: the file cannot be written.
    """
    try:
        handle, name = tempfile.mkstemp(suffix=path.suffix, prefix=".tickspin-", dir=path.parent)
        os.close(handle)
        temporary = Path(name)
        try:
            write(temporary)
            temporary.chmod(0o644)
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as refused:
        raise InputError(
            [Fault(str(path), "must be writable", str(refused.strerror), "choose another place")]
        ) from None


def write_text(path: Path | str, text: str) -> None:
    """Write text to a file, or to standard output for "-"."""
    if str(path) == "-":
        sys.stdout.write(text)
        return

    def write(temporary: Path) -> None:
        temporary.write_text(text, encoding="utf-8")

    write_whole(Path(path), write)


def write_new_text(path: Path, text: str) -> None:
    """Write text to a file that does not exist yet.

    Raises:
        InputError: the file exists or cannot be written.
    """
    if path.exists():
        raise InputError(
            [Fault(str(path), "must be a new file", "a file that exists", "choose another name or remove it")]
        )
    write_text(path, text)
