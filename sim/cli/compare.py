"""`tickspin compare`: many variants of one design, ranked."""

import json
from collections.abc import Collection
from pathlib import Path
from typing import Annotated

import typer

from sim.cli.compiling import compile_notice
from sim.cli.files import check_outputs, write_text, write_whole
from sim.cli.target_file import TargetFiles, names_of
from sim.design import load_design
from sim.design.faults import choice_remedy
from sim.studies.compare import compare as compare_variants
from sim.studies.vary import variants
from sim.views.compare_text import compare_text
from targets import Fault, InputError, load_target, target_names

NONE_MEETS_IT = 1
ON_SCREEN = ("--json", "-")


def compare(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    vary: Annotated[
        list[str],
        typer.Option(
            help="What differs: KEY=a,b,... or KEY=all, such as firmware.target=all. "
            "Given several times, every combination is compared."
        ),
    ],
    target_file: TargetFiles = None,
    price: Annotated[
        list[str] | None, typer.Option(help="Your own price of a target: TARGET=USD, as often as needed.")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(help="Draw price and load over speed into this PNG file.")
    ] = None,
    json_file: Annotated[
        str | None, typer.Option("--json", help="Write the rows as JSON; - for the screen.")
    ] = None,
) -> None:
    """Rank variants of a design, name the cheapest that does the job and why a cheaper one does not."""
    outputs = {"--plot": plot, "--json": json_file}
    files = {o: Path(p) for o, p in outputs.items() if p is not None and (o, str(p)) != ON_SCREEN}
    check_outputs(files, scenario)
    target_files = names_of(target_file or ())
    design = load_design(scenario, target_files)
    listed = variants(design, vary, target_files)
    known = dict.fromkeys([*target_names(), *target_files, load_target(design.firmware.target).name])
    prices = dict(_price(text, known) for text in price or ())
    with compile_notice():
        comparison = compare_variants(design, listed, prices)
    if json_file != "-":
        print(compare_text(comparison))
    if json_file is not None:
        write_text(json_file, json.dumps(comparison.as_dict(), indent=2) + "\n")
    if plot is not None:
        from sim.views.compare_figure import draw_comparison  # matplotlib is slow to import

        write_whole(plot, lambda path: draw_comparison(comparison, path))
    raise typer.Exit(0 if comparison.choice else NONE_MEETS_IT)


def _price(text: str, known: Collection[str]) -> tuple[str, float]:
    """Target and price of one `--price`."""
    name, _, number = text.partition("=")
    try:
        price_USD = float(number)
    except ValueError:
        price_USD = -1.0
    if not name or not 0.0 <= price_USD < 1e6:
        raise InputError([Fault("--price", "must be TARGET=USD", repr(text), "for example acc8=0.48")])
    if name not in known:
        raise InputError([Fault("--price", "must name a target", name, choice_remedy(name, known))])
    return name, price_USD
