"""A design that does its job against itself: badly timed steps, and current to make up for them."""

from dataclasses import dataclass
from typing import Final

from sim.design import Design, variant_of
from sim.run.assemble import build_firmware
from sim.run.metrics import Metrics
from sim.run.torques import ideal_supply_W
from sim.studies.limits import met
from sim.studies.outcome import told_angle
from sim.studies.suspects import FOLLOWING, FOLLOWING_LAWS
from targets import InputError

FAR_deg: Final = 20.0
"""Nearer to their place than this, steps lose no more than an eighteenth of a trapezoid's torque: with its
line-to-line flat top of 60 degrees and flanks of 60, a step x <= 60 degrees off loses x^2 / 7200 of it."""
MANY: Final = 0.1
"""Part of the steps that oppose the motion above which they are no accidents (our own convention)."""
TOO_MUCH: Final = 2.0
"""Power over that of ideal steps and smooth current. The ripple of the PWM alone comes to 1.8 where a coil
has little inductance (`fume_fan` with `duty_pi`)."""


@dataclass(frozen=True)
class Strain:
    """What is wrong, in sentences that end with what to try.

    `blamed`: law, processor, hall, or memory where a better law would not fit; `law`: the law to try then,
    on another target.
    """

    text: str
    blamed: str
    law: str | None = None


def strain(design: Design, metrics: Metrics) -> Strain | None:
    """What a design that meets its requirement wastes on badly timed steps; None where that is little."""
    if not met(design, metrics):
        return None
    symptoms, ideal_W = _symptoms(metrics), ideal_supply_W(design, metrics.settled_rpm)
    if not symptoms or metrics.settled_supply_W < TOO_MUCH * ideal_W:
        return None
    wrong = (
        f"It works against itself: {', '.join(symptoms)}; it draws {metrics.settled_supply_W:.3g} W where "
        f"well-timed steps and a smooth current would take {ideal_W:.3g} W."
    )
    if metrics.settled_lateness_deg > FAR_deg:
        return Strain(f"{wrong} Try a faster processor, or shorter handlers.", "processor")
    if design.firmware.law in FOLLOWING_LAWS.values():
        return Strain(f"{wrong} Look at the place of the Hall sensor and at what times the steps.", "hall")
    return _better_law(design, wrong)


def _better_law(design: Design, wrong: str) -> Strain:
    """The law that follows the rotor, if need be on another target."""
    law = FOLLOWING_LAWS[design.hall.sensors]
    lacks = _lacks(design, law)
    but = f"; {lacks}, so on another target" if lacks else ""
    text = f"{wrong} Try the law {law} ({FOLLOWING}){but}."
    return Strain(text, "memory", law) if lacks else Strain(text, "law")


def _lacks(design: Design, law: str) -> str:
    """What the design's target has not for a law; empty where the law fits, or cannot be compiled for it."""
    try:
        linked = build_firmware(variant_of(design, {"firmware.law": law})).linked
    except InputError:
        return ""
    return "" if linked.fits else f"it {linked.room.reason}"


def _symptoms(metrics: Metrics) -> list[str]:
    """What is wrong with the steps at the end."""
    found = []
    if abs(metrics.settled_angle_error_deg) > FAR_deg:
        found.append(f"its steps come {told_angle(metrics.settled_angle_error_deg)} on average")
    if metrics.settled_opposed_part > MANY:
        found.append(f"{100.0 * metrics.settled_opposed_part:.0f} % of its steps oppose the motion")
    if metrics.settled_lateness_deg > FAR_deg:
        found.append(
            f"steps are made up to {metrics.settled_lateness_deg:.0f} electrical degrees after they were due"
        )
    return found
