"""What holds the design back: run it again with one thing made better at a time, and see what that gives.

No rule of thumb decides: each suspect is a variant of the design, simulated like the design itself.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

from sim.design import Design, apply_overrides
from sim.run.metrics import Metrics, measure
from sim.run.simulate import simulate
from sim.run.torques import rest_torque_Nm, stall_torque_Nm
from sim.studies.suspects import Suspect, remedies, suspects
from targets import InputError

NOTICEABLE = 0.01
"""A change of speed, or of time to speed, below one part in a hundred decides nothing: outcomes scatter by
about that much."""
LAST = 3.0
"""More than the span of the scores, -1 to 1."""
PARTED = 1.0 / 3.0
"""A rotor that does not follow its steps finds about half of them against it, ..."""
MOST_SPREAD = 0.5
"""... and each of the six anywhere, ..."""
MOST_STEPS_PER_TURN = 7.0
"""... or more of them in a turn, as where it stands and the field passes it by. One that follows may find as
many against it, as late steps are or those of a law that brakes, but in the same place in every turn."""

LIMIT_OF = {"battery": "supply", "dip": "supply"}
"""What a suspect stands for, where that is not its own name."""


@dataclass(frozen=True)
class Gain:
    """What a change gives.

    `settled_rpm` and `time_to_speed_s` are None where the changed design cannot be built (`refused` says
    why). `lacks` says what the firmware then needs and the target has not. `is_held`: the required speed is
    there at the end. `has_parted`: it is not, and the rotor does not follow its steps: its speed is chance.
    """

    name: str
    change: str
    settled_rpm: float | None
    time_to_speed_s: float | None
    lacks: str = ""
    refused: str = ""
    is_held: bool = False
    has_parted: bool = False


@dataclass(frozen=True)
class Diagnosis:
    """`limited_by`: the suspect whose removal gives most, "several" where no single one gives anything,
    "overshoot" where none does and the speed is above the command, "stall" where none does and friction and
    load at rest are more than the stall torque, "locked" where the rotor is,
    "command" where the design does what it is told in time, "heat" where it does so too hot.
    `gains`: what each change gives, remedies among them, the best first, after them those that do not fit.
    `helps`: where no suspect is to blame, the change that helps best all the same: a remedy, or what does not
    fit."""

    limited_by: str
    gains: tuple[Gain, ...]
    helps: Gain | None = None


def _gain(design: Design, suspect: Suspect) -> Gain:
    """Simulate the design without the suspect."""
    name = suspect.variant.name
    try:
        changed = apply_overrides(design, suspect.variant.overrides, source="")
        recording = simulate(changed)
        metrics = measure(recording)
    except InputError as refused:
        if suspect.instead:
            return _gain(design, suspect.instead)
        return Gain(name, suspect.change, None, None, refused=_first_line(refused))
    # What is perfect has no size: only a change that can be bought must fit.
    linked = recording.firmware.linked
    lacks = "" if linked.fits or changed.firmware.idealise else linked.room.reason
    settled_rpm, time_s = metrics.settled_rpm, metrics.time_to_speed_s
    is_held = settled_rpm >= design.require.lowest_rpm
    is_chance = has_parted(metrics) and not is_held
    return Gain(name, suspect.change, settled_rpm, time_s, lacks, is_held=is_held, has_parted=is_chance)


def has_parted(metrics: Metrics) -> bool:
    """Whether the rotor does not follow its steps at the end."""
    is_behind = metrics.settled_steps_per_turn > MOST_STEPS_PER_TURN
    is_anywhere = metrics.settled_place_spread > MOST_SPREAD
    return metrics.settled_opposed_part > PARTED and (is_behind or is_anywhere)


def limit_of(gain: Gain) -> str:
    """The name under which a suspect limits the design."""
    return LIMIT_OF.get(gain.name, gain.name)


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
    late = max(0.0, _reached_s(design, settled_rpm, time_s) / design.require.within_s - 1.0)
    return near - min(late, 1.0)


def _reached_s(design: Design, settled_rpm: float | None, time_s: float | None) -> float:
    """When the required speed is there for good; the length of the run where it never is."""
    if settled_rpm is None or time_s is None or settled_rpm < design.require.lowest_rpm:
        return design.command.duration_s
    return time_s


def diagnose(design: Design, metrics: Metrics, fits: bool) -> Diagnosis:
    """Find what holds the design back.

    A design that meets its requirement and its command is limited by the command alone, by heat when only the
    winding's limit stands against it, or by the memory when its firmware does not fit; a locked rotor by
    being locked. No further run is made for these.

    Args:
        design: the design.
        metrics: what its run came to.
        fits: whether its firmware fits the target; if so, changes that make it too large are ranked last.
    """
    if design.load.rotor == "locked":
        return Diagnosis("locked", ())
    if _fast_enough(design, metrics) and _off_command(design, metrics) == 0.0:
        name = "heat" if too_hot(design, metrics) else "command"
        return Diagnosis(name if fits else "memory", ())
    causes = suspects(design)
    with ThreadPoolExecutor() as pool:  # the kernel lets go of Python's lock
        gains = tuple(pool.map(partial(_gain, design), [*causes, *remedies(design)]))
    return _ranked(design, metrics, fits, gains, len(causes))


def _ranked(design: Design, metrics: Metrics, fits: bool, gains: tuple[Gain, ...], causes: int) -> Diagnosis:
    """Order the gains, of which the first `causes` are of suspects, and name the limit."""

    def plain_score(gain: Gain) -> float:
        return _score(design, gain.settled_rpm, gain.time_to_speed_s)

    def score(gain: Gain) -> float:
        return plain_score(gain) - (LAST if fits and gain.lacks else 0.0)

    ranked = _sooner_first(design, gains, score)
    base = _score(design, metrics.settled_rpm, metrics.time_to_speed_s)
    noticed = [gain for gain in gains[:causes] if score(gain) >= base + NOTICEABLE and not gain.has_parted]
    if noticed:
        return Diagnosis(limit_of(_sooner_first(design, noticed, score)[0]), ranked)
    name = _limit_of_none(design, metrics)
    helpful = [gain for gain in gains if plain_score(gain) >= base + NOTICEABLE and not gain.has_parted]
    return Diagnosis(name, ranked, max(helpful, key=plain_score, default=None))


def _sooner_first(design: Design, gains: Sequence[Gain], score: Callable[[Gain], float]) -> tuple[Gain, ...]:
    """The best first; of those as good as the best within what is noticeable, the one that is at the required
    speed sooner."""
    ordered = sorted(gains, key=score, reverse=True)
    alike = [gain for gain in ordered if score(gain) > score(ordered[0]) - NOTICEABLE]
    sooner = sorted(alike, key=lambda gain: _reached_s(design, gain.settled_rpm, gain.time_to_speed_s))
    return (*sooner, *ordered[len(alike) :])


def _limit_of_none(design: Design, metrics: Metrics) -> str:
    """What limits a design that no single change brings on."""
    if excess(design, metrics) > 0.0:
        return "overshoot"
    return "stall" if stall_torque_Nm(design) < rest_torque_Nm(design) else "several"


def _off_command(design: Design, metrics: Metrics) -> float:
    """How far the settled speed is above the commanded one (below: negative), as a part of it; 0 within the
    tolerance."""
    off = metrics.settled_rpm / max(design.command.profile[-1].speed_rpm, 1.0) - 1.0
    return off if abs(off) > design.require.tolerance_percent / 100.0 else 0.0


def excess(design: Design, metrics: Metrics) -> float:
    """By what part of the command the settled speed is above it; 0 within the tolerance of the requirement,
    and below."""
    told_to_turn = design.command.profile[-1].speed_rpm >= 1.0
    return max(0.0, _off_command(design, metrics)) if told_to_turn else 0.0
