"""A law from text or file as a Subject, on the cheapest 32-bit target without a scenario."""

from dataclasses import replace
from pathlib import Path

from controllers import Binding, compile_law, link
from controllers.check.scenario import Scenario
from controllers.check.space import Space
from controllers.check.stand import Hardware, Motor
from controllers.check.subject import Subject
from targets import load_target

BROKEN = Path(__file__).parent / "broken"
LAWS = Path(__file__).parent / "laws"
CLOCK_Hz, ENTRY_CYCLES, EXIT_CYCLES = 48e6, 15, 12
DUTY_TOP, CONTROL_S = 1000, 0.005
MOTOR = Motor(lag_s=0.5, no_load_rpm=20_000.0, load=0.02)
FEW, MANY = 3_000, 20_000
"""Scenarios of the volume in normal tests; the command tries 100,000."""


def subject(path: Path, arithmetic: str = "i32", prescaler: int = 64) -> Subject:
    """The law of a file at 48 MHz; ticks of `prescaler` clocks."""
    target = load_target("m0")
    binding = Binding(arithmetic, 16, CLOCK_Hz / prescaler, 2, DUTY_TOP, CONTROL_S, {})
    linked = link(compile_law(path, binding), target)
    exact = link(compile_law(path, replace(binding, arithmetic="f64")), target)
    hardware = Hardware(
        CLOCK_Hz, prescaler, 16, ENTRY_CYCLES, EXIT_CYCLES, round(CONTROL_S * CLOCK_Hz), DUTY_TOP
    )
    return Subject(linked, hardware, MOTOR, None if arithmetic == "f64" else exact)


def scenario_of(space: Space, *rows: tuple[int, int, int, int], start: int = 0, command: int = 0) -> Scenario:
    """A scenario from choices."""
    return space.scenario((start, command, rows))
