"""What holds the design back: run it again with one thing made better at a time, and see what that gives.

No rule of thumb decides: each suspect is a variant of the design, simulated like the design itself.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

from sim.design import Design, LoadPoint, LoadStep, Override, Variant, apply_overrides, choices_of
from sim.run.metrics import Metrics, measure
from sim.run.simulate import simulate
from targets import InputError

NOTICEABLE = 0.01
"""A change of speed, or of time to speed, below one part in a hundred decides nothing: outcomes scatter by
about that much."""
MORE_SUPPLY = "x1.25"
LESS_LOAD = "x0.5"
FOLLOWING_LAWS = {1: "duty_pi", 3: "duty_pi_three"}
"""By the number of Hall sensors."""
FOLLOWING = "commutation held to the rotor, the duty trimmed"
PERFECT = (
    ("processor", "cost", "instructions that take no time"),
    ("timer", "tick", "a 32-bit step timer with a tick of about 30 ns"),
    ("rounding", "rounding", "arithmetic in f64 at the same cost"),
)
"""Name of the suspect, what `firmware.idealise` calls it, the change in words."""
NARROW = "i16"
BACKGROUND = "_background"
"""Ending of the law that does the same with its arithmetic in the main loop."""
LAST = 3.0
"""More than the span of the scores, -1 to 1."""


@dataclass(frozen=True)
class Suspect:
    """One thing that may hold a design back: the variant without it or with less of it, that in words."""

    variant: Variant
    change: str


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
    "command" where the design does what it is told in time, "heat" where it does so too hot.
    `gains`: what each change gives, remedies among them, the best first."""

    limited_by: str
    gains: tuple[Gain, ...]


def suspects(design: Design) -> list[Suspect]:
    """Everything that can be taken away from this design, firmware first."""
    listed = [
        Suspect(Variant(name, {"firmware.idealise": [*design.firmware.idealise, what]}), change)
        for name, what, change in PERFECT
        if what not in design.firmware.idealise
    ]
    following = FOLLOWING_LAWS[design.hall.sensors]
    if design.firmware.law != following:
        overrides: dict[str, Override] = {"firmware.law": following, "firmware.parameters": {}}
        listed.append(Suspect(Variant("law", overrides), f"the law {following} ({FOLLOWING})"))
    if perfect := _perfect_hall(design):
        listed.append(Suspect(Variant("hall", perfect), "the Hall sensor exactly in place and undisturbed"))
    listed.append(
        Suspect(Variant("supply", {"drive.supply_V": MORE_SUPPLY}), "a quarter more supply voltage")
    )
    if friction := _halved(design):
        listed.append(Suspect(Variant("friction", friction), "half the friction and windage"))
    if load := _halved_load(design):
        listed.append(Suspect(Variant("load", load), "half the torque of the load"))
    if design.motor.cogging_Nm > 0.0:
        listed.append(Suspect(Variant("cogging", {"motor.cogging_Nm": 0.0}), "no cogging"))
    if design.thermal.is_modelled:
        listed.append(Suspect(Variant("heat", _COLD), "copper and magnets that stay at ambient temperature"))
    return listed


def remedies(design: Design) -> list[Suspect]:
    """What a builder can change in the firmware alone, shown beside the suspects."""
    firmware, listed = design.firmware, list[Suspect]()
    if firmware.arithmetic != NARROW:
        narrow = Variant("arithmetic", {"firmware.arithmetic": NARROW})
        listed.append(Suspect(narrow, "the arithmetic in 16-bit integers"))
    if firmware.law + BACKGROUND in choices_of(design, "firmware.law"):
        background = Variant("background", {"firmware.law": firmware.law + BACKGROUND})
        listed.append(Suspect(background, "the arithmetic in the main loop, out of the interrupt"))
    return listed


def _perfect_hall(design: Design) -> dict[str, Override]:
    """Overrides that take every error of the sensors away; hysteresis is none."""
    keys = (
        "placement_error_deg", "second_error_deg", "third_error_deg", "pole_width_error_deg",
        "delay_s", "jitter_s", "glitches_per_s",
    )  # fmt: skip
    return {f"hall.{key}": 0.0 for key in keys if getattr(design.hall, key) != 0.0}


def _halved(design: Design) -> dict[str, Override]:
    """Overrides that halve every friction the motor has."""
    keys = (
        "coulomb_Nm", "stiction_Nm", "viscous_Nm_s_per_rad", "windage_Nm_s2_per_rad2",
        "magnetic_drag_Nm", "eddy_drag_Nm_s_per_rad",
    )  # fmt: skip
    return {f"motor.{key}": LESS_LOAD for key in keys if getattr(design.motor, key) > 0.0}


def _halved_load(design: Design) -> dict[str, Override]:
    """Overrides that halve every torque the load takes."""
    load, halved = design.load, dict[str, Override]()
    for key in ("fan_torque_Nm", "propeller_power_coefficient", "constant_torque_Nm"):
        if getattr(load, key):
            halved[f"load.{key}"] = LESS_LOAD
    rows: dict[str, tuple[LoadStep, ...] | tuple[LoadPoint, ...]]
    rows = {"load.torque_steps": load.torque_steps, "load.torque_table": load.torque_table}
    for path, listed in rows.items():
        if listed:
            halved[path] = [{**row.model_dump(), "torque_Nm": 0.5 * row.torque_Nm} for row in listed]
    return halved


_COLD: dict[str, Override] = {
    f"thermal.{key}": None
    for key in ("winding_to_board_K_per_W", "board_to_ambient_K_per_W", "winding_J_per_K", "board_J_per_K")
}
"""Overrides of a motor that nothing warms."""


def _gain(design: Design, suspect: Suspect) -> Gain:
    """Simulate the design without the suspect."""
    name = suspect.variant.name
    try:
        changed = apply_overrides(design, suspect.variant.overrides, source="")
        recording = simulate(changed)
        metrics = measure(recording)
    except InputError as refused:
        return Gain(name, suspect.change, None, None, refused=_first_line(refused))
    # What is perfect has no size: only a change that can be bought must fit.
    linked = recording.firmware.linked
    lacks = "" if linked.fits or changed.firmware.idealise else linked.reason
    return Gain(name, suspect.change, metrics.settled_rpm, metrics.time_to_speed_s, lacks)


def _first_line(refused: InputError) -> str:
    """The first fault, without the source line that a compiler's fault shows below it."""
    return str(refused.faults[0]).splitlines()[0]


def judged_C(design: Design, metrics: Metrics) -> float | None:
    """Temperature of the winding that its limit is held against (`thermal.judged`); None where nothing warms
    up."""
    if metrics.winding_C is None or metrics.winding_steady_C is None:
        return None
    if design.thermal.judged == "run":
        return metrics.winding_C
    return max(metrics.winding_C, metrics.winding_steady_C)


def too_hot(design: Design, metrics: Metrics) -> bool:
    """Whether the winding goes beyond its limit."""
    winding_C = judged_C(design, metrics)
    return winding_C is not None and winding_C > design.thermal.winding_limit_C


def met(design: Design, metrics: Metrics) -> bool:
    """Whether the requirement holds: the speed reached in time and held to the end, the winding within its
    limit."""
    return _fast_enough(design, metrics) and not too_hot(design, metrics)


def _fast_enough(design: Design, metrics: Metrics) -> bool:
    """Whether the speed is reached in time, and still held at the end of the run."""
    in_time = metrics.time_to_speed_s is not None and metrics.time_to_speed_s <= design.require.within_s
    return in_time and metrics.settled_rpm >= design.require.lowest_rpm


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


def diagnose(design: Design, metrics: Metrics, fits: bool) -> Diagnosis:
    """Find what holds the design back.

    A design that meets its requirement and its command is limited by the command alone, by heat when only the
    winding's limit stands against it, or by the memory when its firmware does not fit; no further run is
    made.

    Args:
        design: the design.
        metrics: what its run came to.
        fits: whether its firmware fits the target; if so, changes that make it too large are ranked last.
    """
    if _fast_enough(design, metrics) and _follows_command(design, metrics):
        name = "heat" if too_hot(design, metrics) else "command"
        return Diagnosis(name if fits else "memory", ())

    def score(gain: Gain) -> float:
        too_large = LAST if fits and gain.lacks else 0.0
        return _score(design, gain.settled_rpm, gain.time_to_speed_s) - too_large

    causes = suspects(design)
    with ThreadPoolExecutor() as pool:  # the kernel lets go of Python's lock
        gains = tuple(pool.map(partial(_gain, design), [*causes, *remedies(design)]))
    ranked = tuple(sorted(gains, key=score, reverse=True))
    base = _score(design, metrics.settled_rpm, metrics.time_to_speed_s)
    worst = max(gains[: len(causes)], key=score)
    return Diagnosis("several" if score(worst) < base + NOTICEABLE else worst.name, ranked)


def _follows_command(design: Design, metrics: Metrics) -> bool:
    """Whether the settled speed is the commanded one, within the tolerance of the requirement."""
    return abs(metrics.settled_rpm / max(design.command.profile[-1].speed_rpm, 1.0) - 1.0) <= (
        design.require.tolerance_percent / 100.0
    )
