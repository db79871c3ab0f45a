"""`tickspin check`: property tests of a control law."""

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from sim.cli.arguments import ArithmeticOption, TargetOption, given, named
from sim.cli.files import check_outputs, write_text
from sim.cli.target_file import OneTargetFile, chosen_target
from sim.cli.waiting import prepare, under_way

COUNTEREXAMPLE = 1


def check(
    law: Annotated[str, typer.Argument(help="A law (`tickspin controllers` lists them) or a law file.")],
    arithmetic: ArithmeticOption = None,
    target: TargetOption = None,
    target_file: OneTargetFile = None,
    prescaler: Annotated[
        int | None,
        typer.Option(min=1, help="Divider before the step timer; else the scenario's tick, or 1.33 us."),
    ] = None,
    scenario: Annotated[
        Path | None, typer.Option(help="Scenario file: timer, parameters, motor of the spin-ups.")
    ] = None,
    examples: Annotated[
        int, typer.Option(min=100, max=10_000_000, help="Event sequences tried on the bench.")
    ] = 100_000,
    seed: Annotated[int, typer.Option(min=0, help="Of the search; the same seed, the same answer.")] = 1,
    lost: Annotated[
        Path | None, typer.Option(help="Write the spin-up that lost synchronism, if any, as a scenario.")
    ] = None,
    json_file: Annotated[
        str | None, typer.Option("--json", help="Write the answer as JSON; - for the screen.")
    ] = None,
) -> None:
    """Try to break a law: overflow, division by zero, late compares, wrong sign, lost synchronism."""
    outputs = {"--lost": lost, "--json": Path(json_file) if json_file not in (None, "-") else None}
    check_outputs({option: path for option, path in outputs.items() if path}, scenario or Path(law))
    from controllers.check.bench.play import native_play
    from sim.loop.native import native_spin
    from sim.studies.checks import check_design  # hypothesis is slow to import
    from sim.studies.law_design import design_of_law
    from sim.views.check_text import check_text, lost_text

    with named(given(arithmetic=arithmetic, target=target, prescaler=prescaler)):
        chosen, target_files = chosen_target(target, target_file)
        design = design_of_law(
            law, arithmetic=arithmetic, target=chosen, prescaler=prescaler, scenario=scenario,
            target_files=target_files,
        )  # fmt: skip
        prepare(native_play, native_spin, design=design)
        with under_way() as tell:
            result = check_design(design, seed, examples, tell)
    if json_file is not None:
        write_text(json_file, json.dumps(result.as_dict(), indent=2) + "\n")
    if lost is not None and not result.spins.holds:
        write_text(lost, lost_text(result, seed))
    if json_file != "-":
        print(check_text(result))
    if lost is not None and result.spins.holds:
        print(f"tickspin: {lost} is not written: no spin-up was lost", file=sys.stderr)
    raise typer.Exit(0 if result.holds else COUNTEREXAMPLE)
