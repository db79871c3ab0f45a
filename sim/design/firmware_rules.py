"""Relations between the firmware section of a scenario and the target it names."""

from __future__ import annotations

from sim.design.catalogue import find_target, known_laws, known_targets
from sim.design.faults import found_text, quoted
from sim.design.key import number_text
from targets.errors import Fault, choice_remedy


def law_exists(law: str) -> Fault | None:
    """firmware.law names a law."""
    if law in known_laws() or law.endswith(".py"):  # a file is looked at when it is compiled
        return None
    return Fault(
        "firmware.law",
        "must be the name of a shipped law or a .py file",
        quoted(law),
        choice_remedy(law, known_laws()),
    )


def target_exists(target: str) -> Fault | None:
    """firmware.target names a target."""
    if target in known_targets() or target.endswith(".toml"):  # the loader tells the faults of a file
        return None
    rule, remedy = (
        "must be the name of a shipped target or a .toml file",
        choice_remedy(target, known_targets()),
    )
    return Fault("firmware.target", rule, quoted(target), remedy)


def prescaler_offered(prescaler: int, target: str) -> Fault | None:
    """firmware.prescaler is one of the target's."""
    found = find_target(target)
    if found is None or prescaler in found.step_timer.prescalers:
        return None
    offered = ", ".join(map(str, found.step_timer.prescalers))
    rule = f'must be a prescaler that the step timer of target "{found.name}" has'
    return Fault("firmware.prescaler", rule, found_text(prescaler), f"allowed: {offered}")


def clock_in_range(clock_Hz: float | None, target: str) -> Fault | None:
    """The target runs at firmware.clock_Hz."""
    found = None if clock_Hz is None else find_target(target)
    if clock_Hz is None or found is None:
        return None
    clock = found.clock
    if clock.low_Hz <= clock_Hz <= clock.high_Hz:
        return None
    span = f"{number_text(clock.low_Hz)} to {number_text(clock.high_Hz)} Hz"
    return Fault(
        "firmware.clock_Hz",
        f'must be a clock that target "{found.name}" can run at',
        found_text(clock_Hz),
        f"allowed: {span}; without clock_Hz the target runs at {number_text(clock.default_Hz)} Hz",
    )


def captures(capture: str, target: str) -> Fault | None:
    """Hardware captures where firmware.capture says so."""
    found = find_target(target)
    if capture != "hardware" or found is None or found.step_timer.capture:
        return None
    rule = f'must be "software": the step timer of target "{found.name}" has no capture'
    return Fault(
        "firmware.capture", rule, found_text(capture), 'write capture = "software", or another target'
    )


def can_nest(structure: str, target: str) -> Fault | None:
    """Interrupts have levels where firmware.structure asks for them."""
    found = find_target(target)
    if structure != "nested" or found is None or found.interrupt.priority_levels > 1:
        return None
    # Left out: software that lets interrupts in again. What it must save stands in no target file.
    rule = f'must be "interrupt" or "polled": interrupts of target "{found.name}" have one level'
    return Fault("firmware.structure", rule, found_text(structure), "choose one of them, or another target")
