"""A folder of files that the command wrote and may write again: never anybody else's files."""

import tempfile
from collections.abc import Mapping
from pathlib import Path

from targets import Fault, InputError

_OPTION = "--to"
_FIRST_BYTES = 200


def check_folder(folder: Path, mark: str, suffixes: frozenset[str]) -> list[Path]:
    """The files of an earlier call in `folder`: those with one of the suffixes, and `mark` in their first
    line.

    Raises:
        InputError: the folder cannot be made, or holds files with these suffixes that are not ours.
    """
    try:
        if folder.exists() and not folder.is_dir():
            raise _refused("must name a folder", f"{folder}, which is a file", "choose another name")
        if not folder.is_dir():
            if not folder.parent.is_dir():
                raise _refused("must lie in an existing folder", f"{folder}", f"make {folder.parent} first")
            return []
        found = sorted(path for path in folder.iterdir() if path.suffix in suffixes)
        for path in found:
            if not _is_ours(path, mark):
                rule = "must be new, empty or written by this command"
                raise _refused(rule, f"{path}, which is not ours", "move it away or choose another folder")
        return found
    except OSError as refused:
        raise _refused("must be a usable folder", f"{folder}: {refused.strerror}", "choose another") from None


def _is_ours(path: Path, mark: str) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return mark.encode() in file.read(_FIRST_BYTES).partition(b"\n")[0]


def write_folder(folder: Path, files: Mapping[str, str], earlier: list[Path]) -> None:
    """Write the files (name: text) all at once and remove those of an earlier call that are not among them.

    Everything is written to a temporary folder first, so that a full disk leaves what was there.

    Raises:
        InputError: the folder cannot be written.
    """
    try:
        with tempfile.TemporaryDirectory(prefix=".tickspin-", dir=folder.parent) as name:
            for file, text in files.items():
                (Path(name) / file).write_text(text, encoding="utf-8")
            folder.mkdir(exist_ok=True)
            for file in files:
                (Path(name) / file).replace(folder / file)
        for path in earlier:
            if path.name not in files:
                path.unlink()
    except OSError as refused:
        raise _refused("must be writable", f"{folder}: {refused.strerror}", "choose another place") from None


def _refused(rule: str, found: str, remedy: str) -> InputError:
    return InputError([Fault(_OPTION, rule, found, remedy)])
