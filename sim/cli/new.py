"""`tickspin new`: a commented scenario to start from."""

from pathlib import Path
from typing import Annotated

import typer

from sim.design import write_new
from targets import Fault, InputError


def new(name: Annotated[str, typer.Argument(help="Name of the design; the file is NAME.toml.")]) -> None:
    """Write a commented starter scenario, every key with its unit and range."""
    path = Path(name if name.endswith(".toml") else f"{name}.toml")
    if not Path(name).name.removesuffix(".toml").strip("."):
        raise InputError(
            [Fault("NAME", "must name a design", repr(name), "for example: tickspin new my_motor")]
        )
    write_new(path)
    print(f"wrote {path}; edit it, then: tickspin run {path}")
