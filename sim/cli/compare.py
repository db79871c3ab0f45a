"""`tickspin compare`: many variants of one design, ranked."""

import json
from collections.abc import Callable, Collection, Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from sim.cli.files import check_outputs, write_text, write_whole
from sim.cli.target_file import TargetFiles, names_of
from sim.cli.waiting import prepare, under_way
from sim.design import Design, Variant, load_design
from sim.studies.compare import compare as compare_variants
from sim.studies.try_ideas import try_ideas
from sim.studies.vary import TARGET, variants
from sim.views.compare_text import compare_text
from sim.views.ideas_text import ideas_text
from sim.views.next_steps import Typed
from targets import Fault, InputError, choice_remedy, load_target, target_names

NONE_MEETS_IT = 1
ON_SCREEN = ("--json", "-")


def compare(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    vary: Annotated[
        list[str] | None,
        typer.Option(
            help="What differs: KEY=a,b,... or KEY=all, such as firmware.target=all. "
            "Given several times, every combination is compared."
        ),
    ] = None,
    with_ideas: Annotated[
        bool, typer.Option("--ideas", help="Instead: what each of a builder's usual changes would give.")
    ] = False,
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
    """Rank variants of a design, name the cheapest that does the job and why a cheaper one does not.

    Of equal prices first what does not work against itself, then by the widest margin, the highest
    efficiency, the least load, the least flash.

    With --ideas: rank a builder's ideas (more volts, smaller gap, delta, ...) by what each would give.
    """
    outputs = {"--plot": plot, "--json": json_file}
    files = {o: Path(p) for o, p in outputs.items() if p is not None and (o, str(p)) != ON_SCREEN}
    check_outputs(files, scenario)
    _check_question(vary, with_ideas, {"--price": price, "--plot": plot})
    target_files = names_of(target_file or ())
    design = load_design(scenario, target_files)
    if with_ideas:
        raise typer.Exit(0 if _compare_ideas(design, scenario, json_file) else NONE_MEETS_IT)
    listed = variants(design, vary or (), target_files)
    prices = _prices(price or (), _targets_of(design, listed), [*target_names(), *target_files])
    prepare()
    with under_way() as tell:
        comparison = compare_variants(design, listed, prices, tell)
    if plot is not None:
        from sim.views.compare_figure import draw_comparison  # matplotlib is slow to import

        write_whole(plot, lambda path: draw_comparison(comparison, path))
    _answer(comparison.as_dict(), lambda: compare_text(comparison), json_file)
    raise typer.Exit(0 if comparison.choice else NONE_MEETS_IT)


def _check_question(vary: list[str] | None, with_ideas: bool, others: Mapping[str, object]) -> None:
    """One of --vary and --ideas is asked, and nothing that only the first of them can do."""
    if with_ideas == bool(vary):
        rule, found = "takes --vary or --ideas", "both" if vary else "neither"
        remedy = "for example --vary firmware.target=all"
        raise InputError([Fault("compare", rule, found, remedy)])
    for option, value in others.items():
        if with_ideas and value:
            raise InputError([Fault(option, "goes with --vary", "--ideas", f"leave out {option}")])


def _compare_ideas(design: Design, scenario: Path, json_file: str | None) -> bool:
    """Answer; whether anything meets the requirement."""
    prepare()
    with under_way() as tell:
        tried = try_ideas(design, tell)
    _answer(tried.as_dict(), lambda: ideas_text(tried, Typed(str(scenario))), json_file)
    return tried.any_met


def _answer(data: dict[str, Any], text: Callable[[], str], json_file: str | None) -> None:
    """Write the JSON, print the text."""
    if json_file is not None:
        write_text(json_file, json.dumps(data, indent=2) + "\n")
    if json_file != "-":
        print(text())


def _targets_of(design: Design, listed: Iterable[Variant]) -> dict[str, None]:
    """Names of the targets that take part."""
    asked = (str(variant.overrides.get(TARGET, design.firmware.target)) for variant in listed)
    return dict.fromkeys(load_target(name).name for name in asked)


def _prices(texts: Iterable[str], compared: Collection[str], known: Iterable[str]) -> dict[str, float]:
    """Target -> price of every `--price`.

    Raises:
        InputError: one is no TARGET=USD, names no target or one that is not compared, or one named before.
    """
    prices: dict[str, float] = {}
    for text in texts:
        name, price_USD = _price(text)
        if name not in compared:
            raise _not_compared(name, compared, known)
        if name in prices:
            found = f"{name}={prices[name]:g} and {text}"
            raise InputError([Fault("--price", "must name a target once", found, "leave one out")])
        prices[name] = price_USD
    return prices


def _not_compared(name: str, compared: Collection[str], known: Iterable[str]) -> InputError:
    """The fault of a price of something else than a compared target."""
    remedy = choice_remedy(name, compared)
    if name in known:
        remedy = f"leave it out, or compare it: --vary {TARGET}={','.join((*compared, name))}"
    return InputError([Fault("--price", "must name a target that is compared", name, remedy)])


def _price(text: str) -> tuple[str, float]:
    """Target and price of one `--price`."""
    name, _, number = text.partition("=")
    try:
        price_USD = float(number)
    except ValueError:
        price_USD = -1.0
    if not name or not 0.0 <= price_USD < 1e6:
        raise InputError([Fault("--price", "must be TARGET=USD", repr(text), "for example acc8=0.48")])
    return name, price_USD
