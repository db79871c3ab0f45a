"""What a key can be set to when the user writes no list, and what follows when another key changes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sim.design.catalogue import find_target, known_laws, known_targets
from sim.design.faults import KEYS
from sim.design.schema import Design

if TYPE_CHECKING:
    from targets import Target

ARITHMETICS = ("i16", "i32", "q15.16", "q23.8", "f32", "f64")
"""A width and a format of each sort; any other can be named."""


def choices_of(design: Design, key: str) -> tuple[str, ...]:
    """Every value of a key that has a list of them; empty for others."""
    if key == "firmware.target":
        return known_targets()
    if key == "firmware.law":
        return known_laws()
    if key == "firmware.arithmetic":
        return ARITHMETICS
    if key == "firmware.prescaler":
        return tuple(str(n) for n in find_target(design.firmware.target).step_timer.prescalers)
    return KEYS[key].choices if key in KEYS else ()


def fitting_prescaler(design: Design, target_name: str) -> int:
    """The prescaler of another target whose timer tick is nearest, as a ratio, to that of the design."""
    firmware = design.firmware
    if target_name not in known_targets() or firmware.target not in known_targets():
        return firmware.prescaler
    own, other = find_target(firmware.target), find_target(target_name)
    tick_s = _tick_s(own, firmware.prescaler, firmware.clock_Hz)

    def distance(prescaler: int) -> float:
        return abs(math.log(_tick_s(other, prescaler, firmware.clock_Hz) / tick_s))

    return min(other.step_timer.prescalers, key=distance)


def _tick_s(target: Target, prescaler: int, clock_Hz: float | None) -> float:
    return prescaler * target.step_timer.clock_divider / (clock_Hz or target.clock.default_Hz)
