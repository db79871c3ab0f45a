"""`tickspin run`: the main job."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from controllers import law_path
from sim.cli.arguments import named
from sim.cli.files import check_outputs, write_text, write_whole
from sim.cli.target_file import OneTargetFile, chosen_target
from sim.cli.waiting import prepare
from sim.design import Design, load_design, variant_of
from sim.studies.answer import Result, answer, close_up
from sim.views.next_steps import Typed
from sim.views.text import run_text
from targets import InputError

NOT_MET = 1
ON_SCREEN = ("--json", "-")


def run(
    scenario: Annotated[
        Path, typer.Argument(help="Scenario file; `tickspin new NAME` writes a commented one.")
    ],
    law: Annotated[
        str | None, typer.Option(help="Run this law, a name or a law file, instead of the scenario's.")
    ] = None,
    target: Annotated[
        str | None, typer.Option(help="Run on this microcontroller, instead of the scenario's.")
    ] = None,
    target_file: OneTargetFile = None,
    plot: Annotated[Path | None, typer.Option(help="Draw the run into this PNG file.")] = None,
    json_file: Annotated[
        str | None, typer.Option("--json", help="Write the numbers as JSON; - for the screen.")
    ] = None,
    csv: Annotated[Path | None, typer.Option(help="Write the traces as CSV.")] = None,
) -> None:
    """Simulate a design: the speed it reaches, how fast, and what stops it."""
    outputs = {"--plot": plot, "--csv": csv, "--json": json_file}
    files = {o: Path(p) for o, p in outputs.items() if p is not None and (o, str(p)) != ON_SCREEN}
    check_outputs(files, scenario)
    try:
        design = _design(scenario, law, target, target_file)
        prepare(design=design)
        result = answer(design)
    except InputError as refused:
        raise _of_scenario(scenario, refused) from None
    _write_files(result, plot, json_file, csv)  # first: a reader such as `head` may close the screen
    if json_file != "-":
        print(run_text(result, Typed(str(scenario), law, target, str(target_file) if target_file else None)))
    raise typer.Exit(0 if result.met else NOT_MET)


def _design(scenario: Path, law: str | None, target: str | None, target_file: Path | None) -> Design:
    """The scenario's design, with another law, on another target."""
    chosen, target_files = chosen_target(target, target_file)
    design = load_design(scenario, target_files)
    if chosen is not None:
        with named({"firmware.target": "--target"} if target else {}):
            design = variant_of(design, {"firmware.target": chosen}, str(scenario))
    if law is None:
        return design
    with named({"firmware.law": "--law"}):
        law_path(law)
        return variant_of(design, {"firmware.law": law})


def _of_scenario(scenario: Path, refused: InputError) -> InputError:
    """The same faults, those of keys with the scenario's name before them, as the loader gives them."""
    keys = ("firmware.", "drive.", "motor.", "hall.")
    return InputError(
        replace(fault, place=f"{scenario}: {fault.place}") if fault.place.startswith(keys) else fault
        for fault in refused.faults
    )


def _write_files(result: Result, plot: Path | None, json_file: str | None, csv: Path | None) -> None:
    """The files asked for."""
    if json_file is not None:
        write_text(json_file, json.dumps(result.as_dict(), indent=2) + "\n")
    if csv is not None:
        from sim.views.csv_file import trace_csv

        write_text(csv, trace_csv(result.recording))
    if plot is not None:
        from sim.views.figure import draw_run  # matplotlib is slow to import

        recording = close_up(result)
        write_whole(plot, lambda path: draw_run(result, recording, path))
