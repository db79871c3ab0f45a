"""`tickspin targets` and `tickspin controllers`: what ships."""

import json
from typing import Annotated, Any

import typer

from sim.cli.files import write_text

KB = 1024
ALL_SENSORS = 3
ENDLESS_BYTES = 1 << 30
JsonOption = Annotated[str | None, typer.Option("--json", help="Write the list as JSON; - for the screen.")]


def _target_row(name: str) -> dict[str, Any]:
    from targets import load_target

    target = load_target(name)
    return {
        "name": name,
        "title": target.title,
        "clock_Hz": target.clock.default_Hz,
        "flash_bytes": target.memory.flash_bytes,
        "ram_bytes": target.memory.ram_bytes,
        "timer_bits": target.step_timer.width_bits,
        "prescalers": list(target.step_timer.prescalers),
        "i32_division_cycles": target.costs["i32_div"].cycles_typical,
    }


def targets(json_file: JsonOption = None) -> None:
    """List the microcontrollers that a scenario can name."""
    from targets import target_names

    rows = [_target_row(name) for name in target_names()]
    if json_file is not None:
        write_text(json_file, json.dumps({"targets": rows}, indent=2) + "\n")
    if json_file == "-":
        return
    print(f"{'name':<8} {'clock':>9} {'flash':>8} {'RAM':>9} {'timer':>6} {'32-bit division':>16}")
    for row in rows:
        print(
            f"{row['name']:<8} {row['clock_Hz'] / 1e6:>5,.0f} MHz {_size(row['flash_bytes']):>8} "
            f"{_size(row['ram_bytes']):>9} {row['timer_bits']:>2} bit "
            f"{row['i32_division_cycles']:>9,} clocks  {row['title']}"
        )


def _size(size_bytes: int) -> str:
    """A memory size; the ideal target's is as good as endless."""
    if size_bytes >= ENDLESS_BYTES:
        return "endless"
    return f"{size_bytes / KB:,.0f} KB" if size_bytes >= KB else f"{size_bytes} bytes"


def controllers(json_file: JsonOption = None) -> None:
    """List the control laws that a scenario can name, with their parameters."""
    from controllers import describe_laws

    laws = describe_laws()
    if json_file is not None:
        rows = [{**law._asdict(), "parameters": [p._asdict() for p in law.parameters]} for law in laws]
        write_text(json_file, json.dumps({"controllers": rows}, indent=2) + "\n")
    if json_file == "-":
        return
    for law in laws:
        needs = " (needs hall.sensors = 3)" if law.sensors == ALL_SENSORS else ""
        print(f"{law.name}: {law.summary}{needs}")
        for parameter in law.parameters:
            print(
                f"    {parameter.key:<24} default {parameter.default:g}, {parameter.low:g} to "
                f"{parameter.high:g}: {parameter.about}"
            )
