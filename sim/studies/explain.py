"""The verdict in plain words, with the numbers behind it."""

from sim.run.metrics import Metrics
from sim.run.simulate import Recording
from sim.studies.limits import Diagnosis, Gain, limit_of, too_hot
from sim.studies.outcome import outcome, told_rpm
from sim.studies.reasons import REASONS, Ceilings, temperature
from sim.studies.strain import Strain

WORTH_TELLING = 0.01
"""Steps against the motion below this part of all are those of the start."""


def explain(
    recording: Recording, metrics: Metrics, diagnosis: Diagnosis, ceilings: Ceilings, strain: Strain | None
) -> str:
    """Sentences: what happened, what holds the design back and by which numbers, what went wrong in the
    arithmetic, what is wasted."""
    reason = REASONS[diagnosis.limited_by](recording, metrics, ceilings)
    parts = [
        outcome(recording, metrics),
        _arithmetic(metrics),
        reason,
        _promise(diagnosis),
        strain.text if strain else "",
        _symptoms(recording, metrics, strain),
        _too_hot(recording, metrics, diagnosis),
        _fit(recording),
    ]
    return " ".join(part for part in parts if part)


def _arithmetic(metrics: Metrics) -> str:
    """The fault of the arithmetic that came most often: before all reasons, it may be the cause of them."""
    if not metrics.faults:
        return ""
    worst = metrics.faults[0]
    where = f"{worst.kind} in {worst.place} of the law ({worst.text})"
    return f"The arithmetic goes wrong: {where} {worst.count:,} times."


def _promise(diagnosis: Diagnosis) -> str:
    """What taking the limit away would give; where there is none, what helps all the same."""
    name = diagnosis.limited_by
    best = next((gain for gain in diagnosis.gains if limit_of(gain) == name), diagnosis.helps)
    if best is None or best.settled_rpm is None:
        return ""
    lacks = f", but it {best.lacks}" if best.lacks else ""
    return (
        f"With {best.change} it would settle at {told_rpm(best.settled_rpm)} rpm{_time_words(best)}{lacks}."
    )


def _time_words(gain: Gain) -> str:
    if gain.time_to_speed_s is None:
        return ""
    lost = "" if gain.is_held else " and not held"
    return f", the required speed reached after {gain.time_to_speed_s:.2f} s{lost}"


def _symptoms(recording: Recording, metrics: Metrics, strain: Strain | None) -> str:
    """Counters that a builder must know of, when they are not zero and not told already, and parameters that
    rounding made zero."""
    words = [
        f"{r.parameter} = {r.asked:g} {r.unit} was rounded to nothing"
        for r in recording.firmware.program.rounding
        if r.stored == 0.0
    ]
    if metrics.missed_compares:
        words.append(f"{metrics.missed_compares:,} compares were written when their time had passed")
    if metrics.missed_edges:
        words.append(f"{metrics.missed_edges:,} Hall edges were missed")
    share = metrics.opposed_steps / max(metrics.steps, 1)
    if share >= WORTH_TELLING and strain is None:
        words.append(
            f"{share:.0%} of the steps pushed against the motion, the last at {metrics.last_opposed_s:.2f} s"
        )
    return ("On the way " + "; ".join(words) + ".") if words else ""


def _too_hot(recording: Recording, metrics: Metrics, diagnosis: Diagnosis) -> str:
    """That the winding is too hot, where that is not the reason given already."""
    if diagnosis.limited_by == "heat" or not too_hot(recording.design, metrics):
        return ""
    return f"And it gets too hot: {temperature(recording, metrics)}."


def _fit(recording: Recording) -> str:
    """Why the firmware does not fit, when it does not, and how sure that is."""
    room = recording.firmware.linked.room
    parts = [] if room.fits else [f"And it does not fit: {room.reason}."]
    parts += [f"{memory[0].upper()}{memory[1:]} is {words}." for memory, words in room.close.items()]
    return " ".join(parts)
