"""A law as a folder of C99 files with test vectors."""

from pathlib import Path
from typing import Final

from controllers.binding import Binding
from controllers.c.header import header_text
from controllers.c.law_file import file_stem, law_text
from controllers.c.replay import replay_text
from controllers.c.vectors import csv_text, random_calls
from controllers.catalogue import describe_law
from controllers.lower import compile_law

MARK: Final = "tickspin export"
"""Every exported file has this in its first line."""
VECTORS: Final = 2000
SEED: Final = 1


def export_law(path: Path, binding: Binding, vectors: int = VECTORS, seed: int = SEED) -> dict[str, str]:
    """File name -> text: LAW.c and LAW.h for the target, replay.c and vectors.csv for the host.

    Args:
        vectors: number of test vectors, 1 or more. seed: of their random states.

    Raises:
        InputError: with every fault of the law, its parameters or the binding.
    """
    program = compile_law(path, binding)
    what = f"{MARK}: {program.name} in {program.arithmetic}"
    mark, stem = f"/* {what} */", file_stem(program)
    return {
        f"{stem}.h": header_text(program, describe_law(path).parameters, mark),
        f"{stem}.c": law_text(program, mark),
        "replay.c": replay_text(program, mark),
        "vectors.csv": csv_text(program, random_calls(program, vectors, seed), f"# {what}, seed {seed}"),
    }
