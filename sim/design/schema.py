"""The scenario: every key with its unit, bounds, default and explanation. All texts are made from it.

Bounds are wide: they keep out slips of a unit or of a power of ten and values the arithmetic cannot carry,
and leave every motor that could be meant. Relations between keys are in `rules`; the sections of motor,
drive, sensor and load are in `motor_sections` and `plant_sections`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from sim.design.key import declare
from sim.design.motor_sections import Motor, Thermal
from sim.design.plant_sections import Drive, Hall, Load
from sim.design.section import Section
from targets.cost_keys import ARITHMETIC_WORDS

_MAX_SPEED_RPM = 65535  # the command port of the firmware is an unsigned 16-bit number of rpm
MOST_PATH_CHARACTERS = (
    4096  # of common systems; a path is joined to the scenario's folder before it is checked
)
_ONE_LINE = r"^[^\x00-\x1f\x7f]+$"

ParameterValue = Annotated[float, Field(ge=-1e12, le=1e12)]


class Firmware(Section):
    """The microcontroller and what runs in it."""

    law: str = declare(
        "control law: a name (`tickspin controllers` lists them) or the path of a law file",
        min_length=1,
        max_length=MOST_PATH_CHARACTERS,
        example="duty_pi",
    )
    arithmetic: str = declare(
        f"arithmetic of the law: {ARITHMETIC_WORDS} such as q15.16",
        min_length=1,
        max_length=20,
        example="i32",
    )
    target: str = declare(
        "microcontroller: a name (`tickspin targets` lists them) or the path of a target file",
        min_length=1,
        max_length=MOST_PATH_CHARACTERS,
        example="m0",
    )
    clock_Hz: float | None = declare(
        "processor clock",
        "Hz",
        default=None,
        ge=1e3,
        le=1e10,
        example=48e6,
        default_text="the usual clock of the target",
    )
    clock_error_percent: float = declare(
        "how far the real clock is off the one that the firmware was built for; `tickspin targets` says what "
        "an oscillator may be off",
        "%",
        default=0.0,
        ge=-20,
        le=20,
    )
    prescaler: int = declare(
        "divider before the step timer, one that the target has", ge=1, le=65536, example=64
    )
    structure: Literal["interrupt", "nested", "polled"] = declare(
        "what calls the handlers: interrupt (interrupts of one level), nested (the step timer interrupts the "
        "Hall handler, which interrupts the control tick), polled (a main loop that tests flags)",
        default="interrupt",
    )
    capture: Literal["hardware", "software"] = declare(
        "what takes down the time of a Hall edge: hardware (the timer latches its count at the edge) or "
        "software (the handler reads the count, late by its latency)",
        default="hardware",
    )
    control_period_s: float = declare("time between two control ticks", "s", default=0.005, ge=1e-5, le=1)
    idealise: tuple[Literal["cost", "tick", "rounding"], ...] = declare(
        "pretend that this were perfect: cost (instructions take no time), tick (a 32-bit timer, about 30 "
        "ns a tick), "
        "rounding (arithmetic in f64)",
        default=(),
        strict=False,  # TOML has lists, not tuples
        example=["cost"],
    )
    parameters: dict[str, ParameterValue] = declare(
        "parameters of the law in real units (`tickspin controllers` lists them)",
        default_factory=dict,
        default_text="those of the law, the gains of a duty controller fitted to the motor",
        example={},
    )


class Step(Section):
    """One element of `command.steps`."""

    at_s: float = declare("time from which the speed is wanted", "s", ge=0, le=60)
    speed_rpm: float = declare("speed wanted from then on", "rpm", ge=0, le=_MAX_SPEED_RPM)


class Command(Section):
    """The speed that is asked for, as one speed or as steps in time, and how long the run lasts."""

    speed_rpm: float | None = declare(
        "speed asked for during the whole run",
        "rpm",
        default=None,
        ge=0,
        le=_MAX_SPEED_RPM,
        example=10000.0,
        shown=True,
        default_text="steps",
    )
    steps: tuple[Step, ...] | None = declare(
        "speeds asked for from given times on, instead of speed_rpm; the first at 0 s",
        default=None,
        strict=False,  # TOML has lists, not tuples
        example=[{"at_s": 0.0, "speed_rpm": 5000.0}, {"at_s": 1.5, "speed_rpm": 10000.0}],
        default_text="speed_rpm",
    )
    duration_s: float = declare("length of the run", "s", ge=0.01, le=60, example=3.0)

    @property
    def profile(self) -> tuple[Step, ...]:
        """The command as steps in time [s], [rpm]; the first is at 0 s."""
        return self.steps or (Step.model_construct(at_s=0.0, speed_rpm=self.speed_rpm),)


class Require(Section):
    """The requirement that the run is judged by."""

    speed_rpm: float = declare("speed that must be reached", "rpm", ge=1, le=_MAX_SPEED_RPM, example=9000.0)
    within_s: float = declare(
        "time from the start in which it must be reached", "s", ge=0.001, le=60, example=2.0
    )
    tolerance_percent: float = declare(
        "how far below the wanted speed still counts as reached", "%", default=2.0, ge=0.01, le=50
    )

    @property
    def lowest_rpm(self) -> float:
        """Lowest speed that still counts as the required one."""
        return self.speed_rpm * (1.0 - self.tolerance_percent / 100.0)


class Numerics(Section):
    """How finely the simulation steps; the defaults are right for almost everything."""

    max_segment_deg: float = declare(
        "longest segment in electrical angle", "deg", default=20.0, ge=0.1, le=30
    )
    max_segment_s: float = declare("longest segment in time", "s", default=1e-4, ge=1e-7, le=0.01)
    seed: int = declare(
        "start of the random numbers (jitter and glitches): the same seed gives the same run",
        default=1,
        ge=0,
        le=1_000_000_000,
    )


class Design(Section):
    """A complete design, as one scenario file holds it. Made by `load_design` and `design_from_dict` only."""

    name: str = declare(
        "short name, shown in every result",
        min_length=1,
        max_length=80,
        pattern=_ONE_LINE,
        example="my_motor",
    )
    summary: str = declare(
        "one line about the device", min_length=1, max_length=200, pattern=_ONE_LINE, example="what it is for"
    )
    title: str | None = declare(
        "heading of figures and reports",
        default=None,
        min_length=1,
        max_length=120,
        pattern=_ONE_LINE,
        example="My motor",
        default_text="the name",
    )
    motor: Motor = declare("electrical and magnetic constants, rotor, friction")
    drive: Drive = declare("supply, switches, PWM")
    hall: Hall = declare("the Hall sensor, or three of them", default=Hall())
    load: Load = declare("what the motor turns", default=Load())
    thermal: Thermal = declare("how warm it gets, and how warm it may get", default=Thermal())
    firmware: Firmware = declare("the microcontroller and what runs in it")
    command: Command = declare("the speed asked for (speed_rpm, or steps in time) and the length of the run")
    require: Require = declare("what the run is judged by")
    numerics: Numerics = declare("how finely the simulation steps; rarely needed", default=Numerics())
