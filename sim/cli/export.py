"""`tickspin export`: a law as C99, with test vectors."""

import json
import tomllib
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from controllers import compile_law, law_path
from controllers.c.export import MARK, SEED, VECTORS, export_law
from controllers.play import native_play
from sim.cli.arguments import LAW_ARGUMENTS, ArithmeticOption, TargetOption, given, named
from sim.cli.files import check_outputs, write_text
from sim.cli.folder import check_folder, write_folder
from sim.cli.target_file import OneTargetFile, chosen_target
from sim.cli.waiting import prepare
from sim.design import Override
from sim.run.assemble import binding_of, check_sensors
from sim.studies.law_design import design_of_law
from targets import Fault, InputError

_SUFFIXES: Final = frozenset((".c", ".h", ".csv"))
_MOST_VECTORS: Final = 1_000_000


def export(
    law: Annotated[str, typer.Argument(help="Shipped law (`tickspin controllers`), or a law file.")],
    to: Annotated[Path, typer.Option(help="Folder for the files; made where there is none.")],
    arithmetic: ArithmeticOption = None,
    scenario: Annotated[
        Path | None,
        typer.Option(help="Takes timer, PWM, pole pairs and the law's parameters from this scenario."),
    ] = None,
    target: TargetOption = None,
    target_file: OneTargetFile = None,
    prescaler: Annotated[int | None, typer.Option(help="Divider before the step timer.")] = None,
    setting: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="Any other key of the scenario; can be repeated."),
    ] = None,
    vectors: Annotated[int, typer.Option(min=1, max=_MOST_VECTORS, help="Number of test vectors.")] = VECTORS,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the test vectors.")] = SEED,
    json_file: Annotated[
        str | None, typer.Option("--json", help="List the files as JSON; - for the screen.")
    ] = None,
) -> None:
    """Write a control law as C99, bit-exact, with test vectors and a program that replays them.

    Without a scenario arithmetic, PWM, pole pairs and the motor that gains are fitted to are those of the
    starter scenario that `tickspin new` writes, the timer is the one of m0 with a tick of 1.33 us, and the
    other parameters are the law's defaults. What a scenario idealises is not exported.
    """
    with named(given()):
        path = law_path(law)
    if json_file is not None and json_file != "-":
        check_outputs({"--json": Path(json_file)}, scenario or path)
    earlier = check_folder(to, MARK, _SUFFIXES)
    set_keys = _settings(setting or [])
    arguments = given(arithmetic=arithmetic, target=target, prescaler=prescaler)
    with named({**arguments, **{key: f"--set {key}" for key in set_keys}}):
        chosen, target_files = chosen_target(target, target_file)
        design = design_of_law(
            law, arithmetic=arithmetic, target=chosen, prescaler=prescaler, scenario=scenario,
            target_files=target_files, settings={"firmware.idealise": [], **set_keys},
        )  # fmt: skip
        binding = binding_of(design)
        check_sensors(design, compile_law(path, binding))
        prepare(native_play)
        files = export_law(path, binding, vectors, seed)
    write_folder(to, files, earlier)
    listing = {"law": path.stem, "arithmetic": binding.arithmetic, "folder": str(to)}
    _report(to, files, listing, {path.name for path in earlier}, json_file)


def _settings(words: list[str]) -> dict[str, Override]:
    """KEY=VALUE as overrides; a VALUE that is no TOML value is text, as "x2" is."""
    settings: dict[str, Override] = {}
    for word in words:
        key, sign, value = word.partition("=")
        if not sign:
            raise InputError([Fault("--set", "must be KEY=VALUE", word, "for example: motor.pole_pairs=3")])
        if key in LAW_ARGUMENTS:
            raise InputError(
                [Fault(f"--set {key}", "has a word of its own", word, f"write {LAW_ARGUMENTS[key]}")]
            )
        if key in settings:
            raise InputError([Fault(f"--set {key}", "must be given once", word, "leave one out")])
        try:
            settings[key] = tomllib.loads(f"value = {value}")["value"]
        except tomllib.TOMLDecodeError:
            settings[key] = value
    return settings


def _report(
    to: Path, files: dict[str, str], listing: dict[str, Any], earlier: set[str], json_file: str | None
) -> None:
    """Say what was written, and what became of the files of an earlier export."""
    if json_file is not None:
        rows = [
            {"name": name, "path": str(to / name), "bytes": len(text.encode()), "replaced": name in earlier}
            for name, text in files.items()
        ]
        write_text(json_file, json.dumps({**listing, "files": rows}, indent=2) + "\n")
    if json_file != "-":
        counts = {"written": files.keys() - earlier, "replaced": earlier & files.keys(),
                  "of an earlier export removed": earlier - files.keys()}  # fmt: skip
        done = ", ".join(
            f"{len(names)} file{'s' * (len(names) > 1)} {what}" for what, names in counts.items() if names
        )
        print(f"{to}: {done} ({', '.join(files)}); to replay the vectors:")
        print(f"    gcc -std=c99 {to}/*.c -o {to}/replay && {to}/replay")
