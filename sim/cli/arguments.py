"""Options that stand for keys, and their faults: a key that an option set is called by the option's name."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from typing import Annotated

import typer

from targets import InputError
from targets.cost_keys import ARITHMETIC_WORDS

ArithmeticOption = Annotated[
    str | None,
    typer.Option(help=f"Its arithmetic, {ARITHMETIC_WORDS} such as q15.16; else the scenario's, or i32."),
]
TargetOption = Annotated[str | None, typer.Option(help="The microcontroller; else the scenario's, or m0.")]

LAW_ARGUMENTS = {
    "firmware.law": "LAW",
    "firmware.arithmetic": "--arithmetic",
    "firmware.target": "--target",
    "firmware.prescaler": "--prescaler",
}


def given(**options: object) -> dict[str, str]:
    """Key -> argument of those of LAW_ARGUMENTS that were typed (the law always is)."""
    return {
        key: name
        for key, name in LAW_ARGUMENTS.items()
        if name == "LAW" or options.get(name.removeprefix("--")) is not None
    }


@contextmanager
def named(arguments: Mapping[str, str]) -> Iterator[None]:
    """Faults of keys that arguments set are raised as faults of these arguments.

    Args:
        arguments: key -> name of the argument.
    """
    try:
        yield
    except InputError as refused:
        raise InputError(
            replace(fault, place=arguments.get(fault.place.rpartition(": ")[2], fault.place))
            for fault in refused.faults
        ) from None
