"""Spin-ups of the whole design under stress: hypothesis looks for a loss of synchronism and shrinks it.

Each stress is a row: what it changes, by how much at most. A spin-up draws a part of each, 0 being the design
as it is; the smallest set of stresses that still fails is reported.
"""

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import seed as seeded
from hypothesis import strategies as st

from sim.design import Design, Override, apply_overrides, stated_values
from sim.run.assemble import Firmware
from sim.run.metrics import column, smoothed_rpm
from sim.run.simulate import Recording, simulate
from sim.run.torques import RPM_PER_RAD_S, stall_torque_Nm
from targets import InputError

SPIN_UPS: Final = 300
"""Spin-ups of one search, before shrinking."""
PARTS: Final = 100
"""A stress is drawn in hundredths of its largest size."""
LONGEST_S: Final = 2.0
"""Length of a spin-up, or the design's own where that is shorter."""
BRAKE_STALLS: Final = 1.5
"""Of the torque at rest; above 1 the rotor stops if the brake lasts long enough."""
BRAKED_PART: Final = 1.0 / 3.0
"""Of the run, from a third of it on: half of it is enough to stop the rotor, the other half to notice it."""
STANDING: Final = 0.01
"""A motor below this part of its speed stands."""
DEEPEST_DIP: Final = 0.6
DIP_S: Final = 0.1
"""A dip to 40 % is the deeper level of IEC 61000-4-29 for supplies of direct current, a tenth of a second
one of its durations (from memory)."""
MOST_GLITCHES_PER_S: Final = 100.0
AT_SPEED: Final = 0.5
"""From this part of the commanded speed on a motor counts as running."""
LOST: Final = 0.5
"""A running motor that falls below this part of its speed, with steps that oppose the motion, has lost
synchronism."""
AS_LONG_AGAIN: Final = 2
"""A spin-up that ends so is run again and longer: lost for good is what is still so after as long again."""


@dataclass(frozen=True)
class Stress:
    """One way to make it hard. changes: overrides for a part 0..1 of the largest size; says: that in
    words."""

    name: str
    changes: Callable[[Design, float], Mapping[str, Override]]
    says: Callable[[float], str]


def _friction(design: Design, part: float) -> Mapping[str, Override]:
    """Coulomb friction rises to five times its value; stiction stays above it."""
    factor = f"x{1.0 + 4.0 * part:.6g}"
    return {key: factor for key in ("motor.coulomb_Nm", "motor.stiction_Nm") if _value(design, key) > 0.0}


def _value(design: Design, key: str) -> float:
    section, name = key.split(".")
    return float(getattr(getattr(design, section), name))


def _dip(design: Design, part: float) -> Mapping[str, Override]:
    """At a quarter of the run, before any brake, for DIP_S, the supply falls by up to DEEPEST_DIP."""
    at_s, percent = _short(_length_s(design) / 4), _short(100.0 * (1.0 - DEEPEST_DIP * part))
    steps = [
        {"at_s": at_s, "supply_percent": percent},
        {"at_s": _short(at_s + DIP_S), "supply_percent": 100.0},
    ]
    return {"drive.supply_steps": steps}


def _short(value: float) -> float:
    """A value that a person can copy: more than six digits no stress is worth."""
    return float(f"{value:.6g}")


def _command_step(design: Design, part: float) -> Mapping[str, Override]:
    """Half way through, the command falls by up to half."""
    speed, half_s = design.command.profile[-1].speed_rpm, _length_s(design) / 2
    steps = [{"at_s": 0.0, "speed_rpm": speed}, {"at_s": half_s, "speed_rpm": speed * (1.0 - 0.5 * part)}]
    return {"command.speed_rpm": None, "command.steps": steps}


def _brake(design: Design, part: float) -> Mapping[str, Override]:
    """From a third of the run on, for BRAKED_PART of it, up to the torque that stops the rotor whatever the
    motor does: BRAKE_STALLS of its stall torque, and J w over half of that time. The rest of the run is there
    to start again."""
    length_s, inertia = _length_s(design), design.motor.inertia_kg_m2 + design.load.added_inertia_kg_m2
    speed_rad_s = max(step.speed_rpm for step in design.command.profile) / RPM_PER_RAD_S
    stops_Nm = BRAKE_STALLS * stall_torque_Nm(design) + inertia * speed_rad_s / (0.5 * BRAKED_PART * length_s)
    steps = [
        {"at_s": _short(length_s / 3.0), "torque_Nm": _short(part * stops_Nm)},
        {"at_s": _short(length_s / 3.0 + BRAKED_PART * length_s), "torque_Nm": 0.0},
    ]
    return {"load.torque_steps": steps}


STRESSES: Final = (
    Stress("start angle", lambda _, part: {"motor.start_angle_deg": 360.0 * part},
           lambda part: f"the rotor starts at {360 * part:.0f} degrees"),
    Stress("friction", _friction, lambda part: f"{1 + 4 * part:.2f} times the bearing friction"),
    Stress("inertia", lambda design, part: {"load.added_inertia_kg_m2":
           _short(design.load.added_inertia_kg_m2 + design.motor.inertia_kg_m2 * part)},
           lambda part: f"{part:.2f} times the rotor's inertia in addition"),
    Stress("supply", lambda _, part: {"drive.supply_V": f"x{1.0 - 0.3 * part:.6g}"},
           lambda part: f"{1 - 0.3 * part:.2f} times the supply voltage"),
    Stress("soft supply", lambda design, part: {"drive.supply_resistance_ohm":
           _short(design.drive.supply_resistance_ohm + design.motor.phase_resistance_ohm * part)},
           lambda part: f"{part:.2f} times a phase's resistance more in the supply"),
    Stress("dip", _dip,
           lambda part: f"the supply dips to {100 * (1 - DEEPEST_DIP * part):.0f} % for {DIP_S:g} s"),
    Stress("Hall place", lambda design, part: {"hall.placement_error_deg":
           _short(min(60.0, design.hall.placement_error_deg + 15.0 * part))},
           lambda part: f"the Hall sensor {15 * part:.1f} degrees late"),
    Stress("brake", _brake,
           lambda part: f"{part:.2f} of the brake that stops the rotor, in the middle third of the run"),
    Stress("spikes", lambda _, part: {"hall.glitches_per_s": MOST_GLITCHES_PER_S * part},
           lambda part: f"{MOST_GLITCHES_PER_S * part:.0f} false pulses a second of the Hall sensor"),
    Stress("command", _command_step, lambda part: f"the command falls to {1 - 0.5 * part:.2f} half way"),
)  # fmt: skip


@dataclass(frozen=True)
class Stressed:
    """What the spin-ups showed. stalls: how many never came to speed; stood: in how many the rotor was
    brought to rest once it ran; recovered: how many fell below and came back; counterexample: the
    smallest stresses with which synchronism was lost for good, in words, empty where none was found;
    overrides: the same for `apply_overrides`, whole values, with the gains that were fitted to the
    design before it was stressed; reason: why no search was made."""

    spin_ups: int = 0
    stalls: int = 0
    stood: int = 0
    recovered: int = 0
    counterexample: tuple[str, ...] = ()
    overrides: Mapping[str, Override] = field(default_factory=dict)
    found: str = ""
    reason: str = ""

    @property
    def holds(self) -> bool:
        """Whether synchronism was never lost."""
        return not self.counterexample

    def as_dict(self) -> dict[str, Any]:
        """Plain values for scripts."""
        return {
            "spin_ups": self.spin_ups,
            "never_at_speed": self.stalls,
            "brought_to_rest": self.stood,
            "recovered": self.recovered,
            "lost_with": list(self.counterexample),
            "overrides": dict(self.overrides),
            "found": self.found,
            "reason": self.reason,
        }


@dataclass(frozen=True)
class Spin:
    """How one spin-up ended: came to speed; fell below LOST of its best speed after that; came back. lost_s:
    when it fell for the last time [s]; low_s: how long it was low at the end; end_rpm: speed at the end;
    stood: it came to rest after it had run."""

    at_speed: bool
    fell: bool
    is_back: bool
    best_rpm: float
    end_rpm: float
    lost_s: float
    low_s: float
    stood: bool

    @property
    def is_lost(self) -> bool:
        """Synchronism was lost for good."""
        return self.fell and not self.is_back


def _length_s(design: Design) -> float:
    return min(design.command.duration_s, LONGEST_S)


def read_spin(recording: Recording, patience_s: float = 0.0) -> Spin:
    """Judge a recording: a speed that collapses, with steps that oppose the motion or to a standstill, and is
    low for more than `patience_s` at the end."""
    speed, t_s = smoothed_rpm(recording), column(recording, "t_s")
    wanted = column(recording, "command_rpm")
    running = np.flatnonzero(speed >= AT_SPEED * wanted)
    if not len(running):
        return Spin(False, False, False, float(speed.max()), float(speed[-1]), 0.0, 0.0, False)
    opposed = column(recording, "opposed_steps")
    # the speed may fall to the commanded one, so what counts is the lower of the best so far and the command
    best = np.minimum(np.maximum.accumulate(speed), wanted)
    after = np.arange(len(speed)) > running[0]
    low, stands = after & (speed < LOST * best), after & (speed < STANDING * best)
    stood = bool(stands.any())
    if not (stood or np.any(low & (opposed > opposed[running[0]]))):
        return Spin(True, False, False, float(best.max()), float(speed[-1]), 0.0, 0.0, False)
    lost_s = float(t_s[np.flatnonzero(~low)[-1]])
    low_s = float(t_s[-1]) - lost_s
    return Spin(True, True, low_s <= patience_s, float(best.max()), float(speed[-1]), lost_s, low_s, stood)


def overrides_of(design: Design, parts: tuple[int, ...], lengths: int = 1) -> dict[str, Override]:
    """Overrides of a spin-up with these parts of the stresses, `lengths` times as long as usual; a stress of
    0 changes nothing."""
    length_s = _length_s(design)
    changes: dict[str, Override] = {"command.duration_s": lengths * length_s,
                                    "require.within_s": min(design.require.within_s, length_s)}  # fmt: skip
    for row, part in zip(STRESSES, parts, strict=True):
        if part:
            changes |= row.changes(design, part / PARTS)
    return changes


class _Lost(Exception):  # noqa: N818 (the wanted outcome of a search, not an error)
    pass


def stress(design: Design, firmware: Firmware, seed: int, share: float = 1.0) -> Stressed:
    """Search for the smallest stresses with which the design loses synchronism for good.

    Args:
        design: the design; its firmware stays as it is.
        firmware: built from it.
        seed: the same seed gives the same answer.
        share: of SPIN_UPS.
    """
    calm = _spin(design, firmware, (0,) * len(STRESSES))
    if calm is None or not calm.at_speed:
        best = 0.0 if calm is None else calm.best_rpm
        reason = f"the design itself comes to {best:,.0f} rpm only, less than half of its command"
        return Stressed(reason=reason)
    spins: list[Spin] = []
    lost: list[tuple[tuple[int, ...], Spin]] = []

    @settings(
        max_examples=max(5, round(SPIN_UPS * share)),
        database=None,
        deadline=None,
        phases=[Phase.generate, Phase.target, Phase.shrink],
        suppress_health_check=list(HealthCheck),
        report_multiple_bugs=False,
    )
    @seeded(seed)
    @given(st.tuples(*[st.integers(0, PARTS)] * len(STRESSES)))
    def search(parts: tuple[int, ...]) -> None:
        spin = _spin(design, firmware, parts)
        if spin is None:
            return
        spins.append(spin)
        if spin.is_lost:
            lost[:] = [(parts, spin)]
            raise _Lost

    with contextlib.suppress(_Lost):
        search()
    return _summary(design, firmware, spins, lost)


def _spin(design: Design, firmware: Firmware, parts: tuple[int, ...]) -> Spin | None:
    """One spin-up, run again and longer where it ended out of step; None where the stressed design is none or
    cannot be simulated."""
    try:
        spin = _judged(design, firmware, parts, 1)
        return _judged(design, firmware, parts, AS_LONG_AGAIN) if spin.is_lost else spin
    except InputError:
        return None


def _judged(design: Design, firmware: Firmware, parts: tuple[int, ...], lengths: int) -> Spin:
    """One spin-up, `lengths` times as long as usual."""
    changed = apply_overrides(design, overrides_of(design, parts, lengths), "stress")
    return read_spin(simulate(changed, firmware=firmware), (lengths - 1) * _length_s(design))


def _summary(
    design: Design, firmware: Firmware, spins: list[Spin], lost: list[tuple[tuple[int, ...], Spin]]
) -> Stressed:
    stalls = sum(not spin.at_speed for spin in spins)
    stood = sum(spin.stood for spin in spins)
    recovered = sum(spin.fell and spin.is_back for spin in spins)
    if not lost:
        return Stressed(len(spins), stalls, stood, recovered)
    parts, spin = lost[0]
    words = [row.says(part / PARTS) for row, part in zip(STRESSES, parts, strict=True) if part]
    found = (
        f"synchronism lost {spin.lost_s:.3f} s after the start: {spin.best_rpm:,.0f} rpm fell to "
        f"{spin.end_rpm:,.0f} rpm and did not come back in {spin.low_s:.2f} s"
    )
    words = words or ["the design as it is"]
    gains = {f"firmware.parameters.{key}": value for key, value in firmware.program.fitted.items()}
    changes = overrides_of(design, parts, AS_LONG_AGAIN) | gains
    overrides = stated_values(apply_overrides(design, changes), changes)
    return Stressed(len(spins), stalls, stood, recovered, tuple(words), overrides, found)
