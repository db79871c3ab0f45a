"""`tickspin new`: a commented scenario to start from."""

from pathlib import Path
from typing import Annotated

import typer

from sim.design import write_new


def new(name: Annotated[str, typer.Argument(help="Name of the design; the file is NAME.toml.")]) -> None:
    """Write a commented starter scenario, every key with its unit and range."""
    path = Path(name if name.endswith(".toml") else f"{name}.toml")
    write_new(path)
    print(f"wrote {path}; edit it, then: tickspin run {path}")
