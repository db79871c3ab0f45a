"""`tickspin new`: a commented scenario, or a commented control law, to start from."""

from pathlib import Path
from typing import Annotated

import typer

from sim.cli.files import write_new_text
from sim.design import write_new
from targets import Fault, InputError

_USAGE = "for example: tickspin new my_motor, or tickspin new --law my_law"


def new(
    name: Annotated[str | None, typer.Argument(help="Name of the design; the file is NAME.toml.")] = None,
    law: Annotated[
        str | None, typer.Option(help="Write a control law to start from, NAME.py, instead.", metavar="NAME")
    ] = None,
) -> None:
    """Write a commented starter: a scenario with every key, unit and range, or a control law."""
    if (name is None) == (law is None):
        found = "both" if name is not None else "neither"
        raise InputError([Fault("tickspin new", "takes the name of a design or --law", found, _USAGE)])
    if name is not None:
        _new_scenario(name)
    if law is not None:
        _new_law(law.removesuffix(".py"))


def _new_scenario(name: str) -> None:
    stem = Path(name).name.removesuffix(".toml")
    if not stem.strip("."):
        raise InputError([Fault("NAME", "must name a design", repr(name), _USAGE)])
    path = Path(name).with_name(f"{stem}.toml")
    write_new(path)
    print(f"wrote {path}; edit it, then: tickspin run {path}")


def _new_law(name: str) -> None:
    from controllers import starting_law  # compiled kernels are slow to import

    path = Path(f"{name}.py")
    write_new_text(path, starting_law(name))
    print(f"wrote {path}; edit it, then: tickspin run SCENARIO --law {path}")
