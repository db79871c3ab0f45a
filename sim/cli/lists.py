"""`tickspin targets` and `tickspin controllers`: what ships."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from sim.cli.files import check_outputs, write_text
from sim.design.plant_sections import ALL_SENSORS

KB = 1024
ENDLESS_BYTES = 1 << 30
JsonOption = Annotated[str | None, typer.Option("--json", help="Write the list as JSON; - for the screen.")]


def _target_row(name: str) -> dict[str, Any]:
    from targets import load_target

    target = load_target(name)
    clock = target.clock
    return {
        "name": name,
        "title": target.title,
        "price_USD": target.price_USD,
        "clock_Hz": clock.default_Hz,
        "usual_clocks_Hz": sorted((clock.default_Hz, *clock.other_usual_Hz)),
        "highest_clock_Hz": clock.high_Hz,
        "clock_tolerance_percent": clock.tolerance * 100.0,
        "wait_states": target.memory.wait_states(clock.default_Hz),
        "flash_bytes": target.memory.flash_bytes,
        "ram_bytes": target.memory.ram_bytes,
        "floating_point_unit": target.floating_point_unit,
        "timer_bits": target.step_timer.width_bits,
        "prescalers": list(target.step_timer.prescalers),
        "i32_division_cycles": target.costs["i32_div"].cycles_typical,
    }


_COLUMNS: tuple[tuple[str, Callable[[dict[str, Any]], str]], ...] = (
    ("USD", lambda row: f"{row['price_USD']:.2f}"),
    ("MHz", lambda row: " or ".join(f"{clock_Hz / 1e6:g}" for clock_Hz in row["usual_clocks_Hz"])),
    ("up to", lambda row: f"{row['highest_clock_Hz'] / 1e6:g}"),
    ("off by", lambda row: f"{row['clock_tolerance_percent']:g} %"),
    ("flash", lambda row: _size(row["flash_bytes"])),
    ("RAM", lambda row: _size(row["ram_bytes"])),
    ("FPU", lambda row: row["floating_point_unit"]),
    ("timer", lambda row: f"{row['timer_bits']} bit"),
    ("division", lambda row: f"{row['i32_division_cycles']:,}"),
)
"""Heading and cell of each column between name and title."""

_LEGEND = (
    "USD: indicative, in a large order. MHz: usual clocks. off by: what the oscillator may be off.\n"
    "FPU: floats in hardware. division: clocks of a 32-bit division, typical."
)


def _target_lines(rows: list[dict[str, Any]]) -> Iterator[str]:
    """Heading and rows, each column as wide as it must be."""
    cells = [["name", *(head for head, _ in _COLUMNS), ""]]
    cells += [[row["name"], *(cell(row) for _, cell in _COLUMNS), row["title"]] for row in rows]
    widths = [max(len(line[column]) for line in cells) for column in range(len(_COLUMNS) + 1)]
    for name, *middle, title in cells:
        aligned = (cell.rjust(width) for cell, width in zip(middle, widths[1:], strict=True))
        yield "  ".join((name.ljust(widths[0]), *aligned, title)).rstrip()


def _write_json(json_file: str | None, data: dict[str, Any]) -> None:
    if json_file is not None:
        check_outputs({} if json_file == "-" else {"--json": Path(json_file)})
        write_text(json_file, json.dumps(data, indent=2) + "\n")


def targets(json_file: JsonOption = None) -> None:
    """List the microcontrollers that a scenario can name: price, clocks, memory, what they compute fast."""
    from targets import target_names

    rows = [_target_row(name) for name in target_names()]
    _write_json(json_file, {"targets": rows})
    if json_file != "-":
        print("\n".join((*_target_lines(rows), "", _LEGEND)))


def _size(size_bytes: int) -> str:
    """A memory size; the ideal target's is as good as endless."""
    if size_bytes >= ENDLESS_BYTES:
        return "endless"
    return f"{size_bytes / KB:,.0f} KB" if size_bytes >= KB else f"{size_bytes} bytes"


def controllers(json_file: JsonOption = None) -> None:
    """List the control laws that a scenario can name, with their parameters."""
    from controllers import describe_laws

    laws = describe_laws()
    rows = [{**law._asdict(), "parameters": [p._asdict() for p in law.parameters]} for law in laws]
    _write_json(json_file, {"controllers": rows})
    if json_file == "-":
        return
    for law in laws:
        needs = " (needs hall.sensors = 3)" if law.sensors == ALL_SENSORS else ""
        print(f"{law.name}: {law.summary}{needs}")
        for parameter in law.parameters:
            default = "fitted to the motor" if parameter.fitted else f"default {parameter.default:g}"
            print(
                f"    {parameter.key:<24} {default}, {parameter.low:g} to {parameter.high:g}: "
                f"{parameter.about}"
            )
