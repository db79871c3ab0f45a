"""`tickspin cost`: cycles, flash and RAM of a control law."""

import json
from pathlib import Path
from typing import Annotated

import typer

from sim.cli.compiling import compile_notice
from sim.cli.files import check_outputs, write_text


def cost(
    law: Annotated[str, typer.Argument(help="A law (`tickspin controllers` lists them) or a law file.")],
    arithmetic: Annotated[
        str | None, typer.Option(help="Its arithmetic, such as i32 or q15.16; else the scenario's, or i32.")
    ] = None,
    target: Annotated[
        str | None, typer.Option(help="The microcontroller; else the scenario's, or m0.")
    ] = None,
    scenario: Annotated[Path | None, typer.Option(help="Scenario file: timer and parameters.")] = None,
    measure: Annotated[
        bool, typer.Option("--measure", help="Compile the exported C and execute it, beside the prediction.")
    ] = False,
    json_file: Annotated[
        str | None, typer.Option("--json", help="Write the answer as JSON; - for the screen.")
    ] = None,
) -> None:
    """Predict the cycles, flash and RAM that a law takes on a microcontroller, or measure them too."""
    if json_file not in (None, "-"):
        check_outputs({"--json": Path(str(json_file))}, scenario or Path(law))
    from controllers.play import native_play
    from sim.studies.checks import design_to_check
    from sim.studies.costing import cost_law
    from sim.views.cost_text import cost_text

    design = design_to_check(law, arithmetic, target, scenario=scenario)
    if measure:
        with compile_notice(native_play):
            native_play.prepare()
    result = cost_law(design, measure)
    if json_file is not None:
        write_text(json_file, json.dumps(result.as_dict(), indent=2) + "\n")
    if json_file != "-":
        print(cost_text(result))
