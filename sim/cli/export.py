"""`tickspin export`: a law as C99, with test vectors."""

import json
import tomllib
from pathlib import Path
from typing import Annotated, Final

import typer

from controllers import Binding, law_path
from controllers.c.export import MARK, SEED, VECTORS, export_law
from controllers.play import native_play
from sim.cli.compiling import compile_notice
from sim.cli.files import check_outputs, write_text
from sim.cli.folder import check_folder, write_folder
from sim.design import Design, Override, apply_overrides, design_from_dict, load_design, starter
from sim.run.assemble import binding_of
from targets import Fault, InputError

_SUFFIXES: Final = frozenset((".c", ".h", ".csv"))
_MOST_VECTORS: Final = 1_000_000


def export(
    law: Annotated[str, typer.Argument(help="Shipped law (`tickspin controllers`), or a law file.")],
    to: Annotated[Path, typer.Option(help="Folder for the files; made where there is none.")],
    arithmetic: Annotated[
        str | None, typer.Option(help="i16, i32, q15.16, f32, ...; that of the scenario where one is given.")
    ] = None,
    scenario: Annotated[
        Path | None,
        typer.Option(help="Takes timer, PWM, pole pairs and the law's parameters from this scenario."),
    ] = None,
    target: Annotated[str | None, typer.Option(help="Microcontroller (`tickspin targets`).")] = None,
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

    Without a scenario, timer, PWM and pole pairs are those of the starter scenario that `tickspin new`
    writes, and parameters are the law's defaults.
    """
    if arithmetic is None and scenario is None:
        raise InputError([Fault("--arithmetic", "is needed without --scenario", "nothing",
                                "for example: --arithmetic i32")])  # fmt: skip
    path = law_path(law)
    if json_file is not None and json_file != "-":
        check_outputs({"--json": Path(json_file)}, scenario or path)
    earlier = check_folder(to, MARK, _SUFFIXES)
    changes: dict[str, Override] = {
        "firmware.arithmetic": arithmetic, "firmware.target": target, "firmware.prescaler": prescaler,
        **_settings(setting or []),
    }  # fmt: skip
    binding = _binding(scenario, law, {key: value for key, value in changes.items() if value is not None})
    with compile_notice(native_play):
        files = export_law(path, binding, vectors, seed)
    write_folder(to, files, earlier)
    _report(to, files, binding, path.stem, json_file)


def _settings(words: list[str]) -> dict[str, Override]:
    """KEY=VALUE as overrides; a VALUE that is no TOML value is text, as "x2" is."""
    settings: dict[str, Override] = {}
    for word in words:
        key, sign, value = word.partition("=")
        if not sign:
            raise InputError([Fault("--set", "must be KEY=VALUE", word, "for example: motor.pole_pairs=3")])
        try:
            settings[key] = tomllib.loads(f"value = {value}")["value"]
        except tomllib.TOMLDecodeError:
            settings[key] = value
    return settings


def _binding(scenario: Path | None, law: str, changes: dict[str, Override]) -> Binding:
    """Binding of a scenario, or of the starter scenario, with some keys changed.

    What the scenario idealises is not exported. Its parameters are those of its own law.
    """
    source = "command line" if scenario is None else str(scenario)
    design = _starter() if scenario is None else load_design(scenario)
    first: dict[str, Override] = {"firmware.idealise": []}
    if scenario is None or law != design.firmware.law:
        first["firmware.parameters"] = None
    return binding_of(apply_overrides(apply_overrides(design, first, source), changes, source))


def _starter() -> Design:
    return design_from_dict(tomllib.loads(starter("export")))


def _report(to: Path, files: dict[str, str], binding: Binding, law: str, json_file: str | None) -> None:
    if json_file is not None:
        rows = [{"name": name, "path": str(to / name), "bytes": len(t.encode())} for name, t in files.items()]
        listing = {"law": law, "arithmetic": binding.arithmetic, "folder": str(to), "files": rows}
        write_text(json_file, json.dumps(listing, indent=2) + "\n")
    if json_file != "-":
        print(f"wrote {', '.join(files)} to {to}; to replay the vectors:")
        print(f"    gcc -std=c99 {to}/*.c -o {to}/replay && {to}/replay")
