"""What holds the design back: run it again with one thing made better at a time, and see what that gives.

No rule of thumb decides: each suspect is a variant of the design, simulated like the design itself.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

from sim.design import Design, Override, Variant, apply_overrides
from sim.run.metrics import Metrics, measure
from sim.run.simulate import simulate
from targets import InputError

NOTICEABLE = 0.01
"""A change of speed, or of time to speed, below one part in a hundred decides nothing: outcomes scatter by
about that much."""
MORE_SUPPLY = "x1.25"
LESS_LOAD = "x0.5"
LAST = 3.0
"""More than the span of the scores, -1 to 1."""


@dataclass(frozen=True)
class Suspect:
    """One thing that may hold a design back, and the change that takes it away or eases it."""

    name: str
    change: str
    overrides: dict[str, Override]


@dataclass(frozen=True)
class Gain:
    """What a change gives.

    `settled_rpm` and `time_to_speed_s` are None where the changed design cannot be built (`refused` says
    why). `lacks` says what the firmware then needs and the target has not.
    """

    name: str
    change: str
    settled_rpm: float | None
    time_to_speed_s: float | None
    lacks: str = ""
    refused: str = ""


@dataclass(frozen=True)
class Diagnosis:
    """`limited_by`: the suspect whose removal gives most, "several" where no single one gives anything,
    "command" where the design does what it is told in time. `gains`: what each change gives, the best
    first."""

    limited_by: str
    gains: tuple[Gain, ...]


def suspects(design: Design) -> list[Suspect]:
    """Everything that can be taken away from this design, firmware first."""
    firmware, motor = design.firmware, design.motor
    perfect = {"cost": "processor", "tick": "timer", "rounding": "rounding"}
    words = {
        "cost": "instructions that take no time",
        "tick": "a 32-bit step timer with a tick of about 30 ns",
        "rounding": "arithmetic in f64 at the same cost",
    }
    listed = [
        Suspect(name, words[what], {"firmware.idealise": [*firmware.idealise, what]})
        for what, name in perfect.items()
        if what not in firmware.idealise
    ]
    if firmware.law != "duty_pi":
        listed.append(
            Suspect(
                "law",
                "the law duty_pi (commutation held to the rotor, the duty trimmed)",
                {"firmware.law": "duty_pi", "firmware.parameters": {}},
            )
        )
    if design.hall.placement_error_deg != 0.0:
        listed.append(Suspect("hall", "Hall sensor exactly in place", {"hall.placement_error_deg": 0.0}))
    listed.append(Suspect("supply", "a quarter more supply voltage", {"drive.supply_V": MORE_SUPPLY}))
    if motor.coulomb_Nm + motor.viscous_Nm_s_per_rad + motor.windage_Nm_s2_per_rad2 > 0.0:
        listed.append(Suspect("friction", "half the friction and windage", _halved(design)))
    if design.load.fan_torque_Nm is not None:
        listed.append(Suspect("load", "half the fan torque", {"load.fan_torque_Nm": LESS_LOAD}))
    return listed


def _halved(design: Design) -> dict[str, Override]:
    """Overrides that halve every friction the motor has."""
    keys = ("coulomb_Nm", "stiction_Nm", "viscous_Nm_s_per_rad", "windage_Nm_s2_per_rad2")
    return {f"motor.{key}": LESS_LOAD for key in keys if getattr(design.motor, key) > 0.0}


def _gain(design: Design, suspect: Suspect) -> Gain:
    """Simulate the design without the suspect."""
    try:
        changed = apply_overrides(design, Variant(suspect.name, suspect.overrides).overrides)
        recording = simulate(changed)
    except InputError as refused:
        return Gain(suspect.name, suspect.change, None, None, refused=_first_line(refused))
    metrics, linked = measure(recording), recording.firmware.linked
    # What is perfect has no size: only a change that can be bought must fit.
    lacks = "" if linked.fits or changed.firmware.idealise else linked.reason
    return Gain(suspect.name, suspect.change, metrics.settled_rpm, metrics.time_to_speed_s, lacks)


def _first_line(refused: InputError) -> str:
    """The first fault, without the source line that a compiler's fault shows below it."""
    return str(refused.faults[0]).splitlines()[0]


def met(design: Design, metrics: Metrics) -> bool:
    """Whether the requirement holds: the speed reached in time, and still held at the end of the run."""
    require = design.require
    enough_rpm = require.speed_rpm * (1.0 - require.tolerance_percent / 100.0)
    in_time = metrics.time_to_speed_s is not None and metrics.time_to_speed_s <= require.within_s
    return in_time and metrics.settled_rpm >= enough_rpm


def _score(design: Design, settled_rpm: float | None, time_s: float | None) -> float:
    """How good an outcome is: how near the settled speed is to the command (1: on it), and how early the
    required speed is there."""
    if settled_rpm is None:
        return -1.0
    command_rpm = max(design.command.profile[-1].speed_rpm, 1.0)
    near = max(0.0, 1.0 - abs(settled_rpm / command_rpm - 1.0))
    within_s = design.require.within_s
    late = max(0.0, (design.command.duration_s if time_s is None else time_s) / within_s - 1.0)
    return near - min(late, 1.0)


def _gain_score(design: Design, gain: Gain) -> float:
    """The score of a change; firmware that does not fit its target helps nobody."""
    return _score(design, gain.settled_rpm, gain.time_to_speed_s) - (LAST if gain.lacks else 0.0)


def diagnose(design: Design, metrics: Metrics) -> Diagnosis:
    """Find what holds the design back.

    A design that meets its requirement and its command is limited by the command alone, and no further run
    is made.
    """
    if met(design, metrics) and _follows_command(design, metrics):
        return Diagnosis("command", ())
    with ThreadPoolExecutor() as pool:  # the kernel lets go of Python's lock
        gains = tuple(pool.map(partial(_gain, design), suspects(design)))
    ranked = tuple(sorted(gains, key=lambda gain: -_gain_score(design, gain)))
    base = _score(design, metrics.settled_rpm, metrics.time_to_speed_s)
    best = _gain_score(design, ranked[0])
    return Diagnosis("several" if best < base + NOTICEABLE else ranked[0].name, ranked)


def _follows_command(design: Design, metrics: Metrics) -> bool:
    """Whether the settled speed is the commanded one, within the tolerance of the requirement."""
    return abs(metrics.settled_rpm / max(design.command.profile[-1].speed_rpm, 1.0) - 1.0) <= (
        design.require.tolerance_percent / 100.0
    )
