"""The command that answers the next question of a design that falls short, ready to be copied."""

import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from sim.design import Design
from sim.studies.suspects import given_gains
from targets import load_target

_NEIGHBOURS: Final = 2
"""Prescalers tried on either side of the design's."""
_VARIED: Final = {
    "processor": ("firmware.target=all", "every chip, the cheapest that does it on top"),
    "memory": ("firmware.target=all", "every chip, the cheapest that does it on top"),
    "law": ("firmware.law=all", "every law, gains fitted, other parameters as by default"),
    "rounding": ("firmware.arithmetic=i32,q15.16,f32", "other number formats"),
    "timer": ("firmware.prescaler={prescalers}", "finer and coarser ticks"),
}
"""What limits -> what `--vary` then asks, and what that shows. Everything else is the motor's: `--ideas`."""


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
    if limited_by not in _VARIED:
        return f"Next: {_ideas(typed)}   (what each of a builder's changes would give)"
    asked, shows = _VARIED[limited_by]
    asked = asked.format(prescalers=",".join(_prescalers(design)))
    words = [typed.scenario, *_others(asked, design, typed), "--vary", asked]
    return f"Next: tickspin compare {shlex.join(words)}   ({shows})"


def next_firmware_steps(limits: Iterable[str], design: Design, typed: Typed) -> str:
    """Lines for designs that all fail for their firmware; empty where one of them has another limit."""
    known = set(limits)
    if not known or not known <= _VARIED.keys():
        return ""
    return "\n".join(dict.fromkeys(next_step(limit, design, typed) for limit in _VARIED if limit in known))


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
