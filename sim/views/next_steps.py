"""The command that answers the next question of a design that falls short, ready to be copied."""

import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from sim.design import Design
from sim.run.torques import rest_torque_Nm, stall_torque_Nm
from sim.studies.suspects import given_gains
from targets import load_target

_NEIGHBOURS: Final = 2
"""Prescalers tried on either side of the design's."""
_FIRMWARE: Final = {
    "processor": ("firmware.target=all", "every chip, the cheapest that does it on top"),
    "memory": ("firmware.target=all", "every chip, the cheapest that does it on top"),
    "law": ("firmware.law=all", "every law, gains fitted, other parameters as by default"),
    "rounding": ("firmware.arithmetic=i32,q15.16,f32", "other number formats"),
    "timer": ("firmware.prescaler={prescalers}", "finer and coarser ticks"),
    "start": ("firmware.parameters.start_duty=0.6,0.8,1", "more duty until the speed is known"),
}
_VARIED: Final = {**_FIRMWARE, "locked": ("load.rotor=free", "the same motor with its shaft let go")}
"""What limits -> what `--vary` then asks, and what that shows. Most else is the motor's: `--ideas`."""
_CARRIED: Final = (0.4, 0.2)
"""Parts of the stall torque left after friction: at the start a law may give half the duty, and one step
pulls over half a turn, where it has less than its mean."""


@dataclass(frozen=True)
class Typed:
    """What the user typed: the scenario, and what `run` took instead of its law and target."""

    scenario: str = "SCENARIO"
    law: str | None = None
    target: str | None = None
    target_file: str | None = None


def next_step(limited_by: str, design: Design, typed: Typed) -> str:
    """One line: what to try against a limit."""
    if limited_by == "gains":
        return f"Next: leave {' and '.join(given_gains(design))} out of firmware.parameters."
    if limited_by == "stall":
        return _lighter_load(design, typed)
    if limited_by not in _VARIED:
        return f"Next: {_ideas(typed)}   (what each of a builder's changes would give)"
    asked, shows = _VARIED[limited_by]
    return _vary(asked.format(prescalers=",".join(_prescalers(design))), shows, design, typed)


def _vary(asked: str, shows: str, design: Design, typed: Typed) -> str:
    words = [typed.scenario, *_others(asked, design, typed), "--vary", asked]
    return f"Next: tickspin compare {shlex.join(words)}   ({shows})"


def _lighter_load(design: Design, typed: Typed) -> str:
    """What a motor could carry that its load stalls, and what it would take to carry the load as it is."""
    stall_Nm, rest_Nm = stall_torque_Nm(design), rest_torque_Nm(design)
    load_Nm = design.load.constant_torque_Nm
    left_Nm = stall_Nm - (rest_Nm - load_Nm)
    times = rest_Nm / stall_Nm
    takes = (
        f"it takes {times:.2g} times the stall torque: more supply, a winding of more ke or less resistance"
    )
    if load_Nm == 0.0 or left_Nm <= 0.0:
        return f"Next: {_ideas(typed)}   ({takes}; or less friction and load at rest)"
    factors = [part * left_Nm / load_Nm for part in _CARRIED]
    asked = f"load.constant_torque_Nm={','.join(f'x{factor:.2g}' for factor in factors)}"
    gears = " and of ".join(f"{1.0 / factor:.2g}" for factor in factors)
    return _vary(asked, f"the load behind a gear of {gears}; without one {takes}", design, typed)


def next_firmware_steps(limits: Iterable[str], design: Design, typed: Typed) -> str:
    """Lines for designs that all fail for their firmware; empty where one of them has another limit."""
    known = set(limits)
    if not known or not known <= _FIRMWARE.keys():
        return ""
    return "\n".join(dict.fromkeys(next_step(limit, design, typed) for limit in _FIRMWARE if limit in known))


def _ideas(typed: Typed) -> str:
    """`--ideas` starts from the scenario as it stands."""
    command = f"tickspin compare {shlex.quote(typed.scenario)} --ideas"
    keys = {"firmware.law": typed.law, "firmware.target": typed.target_file or typed.target}
    changed = [f'{key} = "{value}"' for key, value in keys.items() if value is not None]
    return f"write {' and '.join(changed)} into {typed.scenario}, then: {command}" if changed else command


def _others(asked: str, design: Design, typed: Typed) -> Iterator[str]:
    """The words that keep the law and the target of this run."""
    if typed.law is not None and not asked.startswith("firmware.law="):
        yield from ("--vary", f"firmware.law={typed.law}")
    if typed.target_file is not None:
        yield from ("--target-file", typed.target_file)
    if (typed.target or typed.target_file) and not asked.startswith("firmware.target="):
        yield from ("--vary", f"firmware.target={load_target(design.firmware.target).name}")


def _prescalers(design: Design) -> list[str]:
    """The design's prescaler and those of the timer next to it."""
    listed = sorted(load_target(design.firmware.target).step_timer.prescalers)
    at = listed.index(design.firmware.prescaler) if design.firmware.prescaler in listed else 0
    return [str(n) for n in listed[max(0, at - _NEIGHBOURS) : at + _NEIGHBOURS + 1]]
