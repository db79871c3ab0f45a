"""`tickspin new`: a commented scenario, control law or target file to start from."""

from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from sim.cli.arguments import named
from sim.cli.files import write_new_text
from sim.design import write_new
from targets import Fault, InputError, starting_target
from targets.starter import USUAL_BASE

_USAGE = "for example: tickspin new my_motor, tickspin new --law my_law, or tickspin new --target my_chip"

_KINDS = 3


def new(
    name: Annotated[str | None, typer.Argument(help="Name of the design; the file is NAME.toml.")] = None,
    law: Annotated[
        str | None, typer.Option(help="Write a control law to start from, NAME.py, instead.", metavar="NAME")
    ] = None,
    target: Annotated[
        str | None,
        typer.Option(help="Write a microcontroller's data file, NAME.toml, instead.", metavar="NAME"),
    ] = None,
    base: Annotated[
        str | None,
        typer.Option(help=f"With --target: the one to start from; else {USUAL_BASE}.", metavar="TARGET"),
    ] = None,
) -> None:
    """Write a commented starter: a scenario with every key, unit and range, a control law, or a target."""
    if [name, law, target].count(None) != _KINDS - 1:
        rule, found = (
            "takes one of NAME, --law and --target",
            "none" if not (name or law or target) else "several",
        )
        raise InputError([Fault("new", rule, found, _USAGE)])
    if base is not None and target is None:
        raise InputError([Fault("--base", "needs --target", base, _USAGE)])
    if name is not None:
        _new_scenario(name)
    elif law is not None:
        _new_law(law.removesuffix(".py"))
    elif target is not None:
        _new_target(target.removesuffix(".toml"), base or USUAL_BASE)


def _new_scenario(name: str) -> None:
    stem = Path(name).name.removesuffix(".toml")
    if not stem.strip("."):
        raise InputError([Fault("NAME", "must name a design", repr(name), _USAGE)])
    path = Path(name).with_name(f"{stem}.toml")
    write_new(path)
    print(f"wrote {path}; edit it, then: tickspin run {quote(str(path))}")


def _new_law(name: str) -> None:
    from controllers import starting_law  # compiled kernels are slow to import

    path = Path(f"{name}.py")
    write_new_text(path, starting_law(name))
    print(f"wrote {path}; edit it, then: tickspin run SCENARIO --law {quote(str(path))}")


def _new_target(name: str, base: str) -> None:
    with named({"target": "--base"}):
        text = starting_target(name, base)
    path = Path(f"{name}.toml")
    write_new_text(path, text)
    print(
        f"wrote {path}, with the numbers of {base}; edit it, then: tickspin run SCENARIO --target-file "
        f"{quote(str(path))}"
    )
