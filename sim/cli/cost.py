"""`tickspin cost`: cycles, flash and RAM of a control law."""

import json
from pathlib import Path
from typing import Annotated

import typer

from sim.cli.arguments import ArithmeticOption, TargetOption, given, named
from sim.cli.files import check_outputs, write_text
from sim.cli.target_file import OneTargetFile, chosen_target
from sim.cli.waiting import prepare
from sim.design import Design
from targets import Fault, InputError, target_names
from targets.isa import CORES


def cost(
    law: Annotated[str, typer.Argument(help="A law (`tickspin controllers` lists them) or a law file.")],
    arithmetic: ArithmeticOption = None,
    target: TargetOption = None,
    target_file: OneTargetFile = None,
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
    from sim.studies.costing import cost_law
    from sim.studies.law_design import design_of_law
    from sim.views.cost_text import cost_text

    with named(given(arithmetic=arithmetic, target=target)):
        chosen, target_files = chosen_target(target, target_file)
        design = design_of_law(
            law, arithmetic=arithmetic, target=chosen, scenario=scenario, target_files=target_files
        )
        if measure:
            _check_measurable(design)
            prepare(native_play)
        result = cost_law(design, measure)
    if json_file is not None:
        write_text(json_file, json.dumps(result.as_dict(), indent=2) + "\n")
    if json_file != "-":
        print(cost_text(result))


def _check_measurable(design: Design) -> None:
    """Say which targets can be measured where that of the design cannot."""
    measurable = [name for name in target_names() if name in CORES]
    if design.firmware.target not in measurable:
        rule = "needs a target whose core can be emulated"
        remedy = f"these can be measured: {', '.join(measurable)}"
        raise InputError([Fault("--measure", rule, design.firmware.target, remedy)])
