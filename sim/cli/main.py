"""Commands, their options, and the one place where bad input becomes exit status 2."""

import sys
from importlib.metadata import version
from typing import Annotated

import typer

from sim.cli.check import check
from sim.cli.compare import compare
from sim.cli.cost import cost
from sim.cli.export import export
from sim.cli.lists import controllers, targets
from sim.cli.new import new
from sim.cli.once import OnceCommand
from sim.cli.run import run
from targets import InputError

BAD_INPUT = 2

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Predict the speed that a small sensored brushless motor reaches with a given microcontroller, "
    "control law, arithmetic and timer, and what stops it. Start with: tickspin new my_motor",
)


def _print_version(is_asked: bool) -> None:
    if is_asked:
        print(f"tickspin {version('tickspin')}")
        raise typer.Exit


@app.callback()
def _options(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    del show_version


for command in (run, compare, check, cost, export, new, targets, controllers):
    app.command(cls=OnceCommand)(command)


def main() -> None:
    """Entry point of the command line. Exit status: 0 met or done, 1 requirement not met, 2 bad input."""
    try:
        app()
    except InputError as refused:
        for fault in refused.faults:
            print(f"tickspin: {fault}", file=sys.stderr)
        sys.exit(BAD_INPUT)
