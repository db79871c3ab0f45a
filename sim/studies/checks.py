"""`tickspin check`: what a law is checked with (a Subject), and the whole answer with its spin-ups."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

from controllers import LinkedProgram, compile_law, law_path, link
from controllers.check.result import Check
from controllers.check.search import EXAMPLES, check
from controllers.check.stand import Hardware, Motor
from controllers.check.subject import Subject
from sim.design import Design
from sim.run.assemble import Firmware, build_firmware, check_sensors, processor_parameters
from sim.studies.proofs import Proofs, prove
from sim.studies.stress import Stressed, stress
from targets import InputError

LAG_S: Final = 0.5
FRICTION: Final = 0.02
NO_LOAD: Final = 2.0
"""The rotor that closes the loop on the bench: time constant, friction as a part of the drive, no-load speed
as a multiple of the command. Gentle on purpose; the scenario's own motor is in the spin-ups."""
EXACT: Final = "f64"


@dataclass(frozen=True)
class Checked:
    """The whole answer: the Program on the bench, what analysis proves of it, and the design in stressed
    spin-ups."""

    design: Design
    firmware: Firmware
    bench: Check
    proofs: Proofs
    spins: Stressed

    @property
    def holds(self) -> bool:
        """Whether no counterexample was found."""
        return self.bench.holds and self.spins.holds

    def as_dict(self) -> dict[str, Any]:
        """Plain values for scripts."""
        return self.bench.as_dict() | {
            "law": self.design.firmware.law,
            "holds": self.holds,
            "target": self.firmware.target.name,
            "prescaler": self.design.firmware.prescaler,
            "tick_s": self.firmware.tick_s,
            "fitted": dict(self.firmware.program.fitted),
            "proofs": self.proofs.as_dict(),
            "spin_ups": self.spins.as_dict(),
        }


def subject_of(design: Design, firmware: Firmware) -> Subject:
    """The Program of a design with what surrounds it, on the bench.

    The bench runs handlers one at a time: a structure with priorities is checked without its nesting.
    """
    c = processor_parameters(design, firmware)
    hardware = Hardware(
        clock_Hz=firmware.clock_Hz,
        tick_cycles=firmware.tick_cycles,
        timer_bits=firmware.timer_bits,
        entry_cycles=int(c["entry_cycles"]),
        exit_cycles=int(c["exit_cycles"]),
        control_cycles=int(c["control_cycles"]),
        duty_top=firmware.pwm_top,
        reads_count=bool(c["reads_count"]),
    )
    command_rpm = max(step.speed_rpm for step in design.command.profile)
    motor = Motor(LAG_S, NO_LOAD * max(command_rpm, 1000.0), FRICTION)
    return Subject(_scaled(firmware), hardware, motor, _exact(design, firmware))


def _scaled(firmware: Firmware) -> LinkedProgram:
    """The costs in the kernel's cycles."""
    scale = 0 if firmware.costs_nothing else firmware.cycle_scale
    worst = {name: cycles * scale for name, cycles in firmware.linked.worst_case_cycles.items()}
    return replace(firmware.linked, cycles=firmware.linked.cycles * scale, worst_case_cycles=worst)


def _exact(design: Design, firmware: Firmware) -> LinkedProgram | None:
    """The law in f64, with the parameters as the design's arithmetic holds them (what rounding does to those
    is told by itself); None where it does not compile so or is so already."""
    binding = firmware.program.binding
    held = {r.parameter: r.stored for r in firmware.program.rounding if r.unit}
    exact = replace(binding, arithmetic=EXACT, parameters={**binding.parameters, **held})
    if firmware.program.arithmetic == EXACT:
        return None
    try:
        program = compile_law(law_path(design.firmware.law), exact)
    except InputError:
        return None
    return link(program, firmware.target, design.firmware.structure)


def check_design(
    design: Design, seed: int = 1, examples: int = EXAMPLES, tell: Callable[[str], None] = lambda _: None
) -> Checked:
    """Check the law of a design on the bench and in spin-ups of its motor.

    Args:
        design: the design.
        seed: the same seed gives the same answer.
        examples: scenarios on the bench; other searches take a share in proportion.
        tell: is told in a few words what is under way.
    Raises:
        InputError: the firmware cannot be built, or needs other sensors.
    """
    firmware = build_firmware(design)
    check_sensors(design, firmware.program)
    bench = check(subject_of(design, firmware), seed, examples, tell)
    tell("longest paths and ranges")
    proofs = prove(firmware, design.firmware.structure)
    tell("spin-ups of the motor under stress")
    return Checked(design, firmware, bench, proofs, stress(design, firmware, seed, examples / EXAMPLES))
