"""What a key can be set to when the user writes no list, and what follows when another key changes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from sim.design.catalogue import find_target, known_laws, known_targets
from sim.design.faults import KEYS
from sim.design.overrides import Override, apply_overrides
from sim.design.schema import Design

if TYPE_CHECKING:
    from targets import Target

ARITHMETICS = ("i16", "i32", "q15.16", "q23.8", "f32", "f64")
"""A width and a format of each sort; any other can be named."""


def choices_of(design: Design, key: str) -> tuple[str, ...]:
    """Every value of a key that has a list of them; empty for others."""
    if key == "firmware.target":
        return tuple(dict.fromkeys((*known_targets(), design.firmware.target)))  # its own may be a file
    if key == "firmware.law":
        return known_laws()
    if key == "firmware.arithmetic":
        return ARITHMETICS
    if key == "firmware.prescaler":
        target = find_target(design.firmware.target)
        return tuple(str(n) for n in target.step_timer.prescalers) if target else ()
    return KEYS[key].choices if key in KEYS else ()


def fitting_prescaler(design: Design, target_name: str) -> int:
    """The prescaler of another target whose timer tick is nearest, as a ratio, to that of the design."""
    firmware = design.firmware
    own, other = find_target(firmware.target), find_target(target_name)
    if own is None or other is None:
        return firmware.prescaler
    tick_s = _tick_s(own, firmware.prescaler, firmware.clock_Hz)

    def distance(prescaler: int) -> float:
        return abs(math.log(_tick_s(other, prescaler, firmware.clock_Hz) / tick_s))

    return min(other.step_timer.prescalers, key=distance)


def variant_of(design: Design, overrides: Mapping[str, Override], source: str = "override") -> Design:
    """The design with some keys changed, as `apply_overrides`, and what follows from them: on another target
    the prescaler that keeps the timer tick as near as it can, and edges that software reads where its timer
    does not capture them; with another law the parameters are that law's own. All only where they are not
    changed themselves."""
    firmware, followers = design.firmware, dict[str, Override]()
    target = overrides.get("firmware.target", firmware.target)
    if target != firmware.target:
        followers["firmware.prescaler"] = fitting_prescaler(design, str(target))
        found = find_target(str(target))
        if found is not None and not found.step_timer.capture:
            followers["firmware.capture"] = "software"
    if overrides.get("firmware.law", firmware.law) != firmware.law:
        followers["firmware.parameters"] = {}
    return apply_overrides(design, {**followers, **overrides}, source)


def _tick_s(target: Target, prescaler: int, clock_Hz: float | None) -> float:
    return prescaler * target.step_timer.clock_divider / (clock_Hz or target.clock.default_Hz)
