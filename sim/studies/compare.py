"""Compare variants of a design: what each reaches and costs, which is the cheapest that does the job, and why
the next cheaper one does not."""

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any

from controllers.program import HANDLERS
from sim.design import Design, Override, Variant, apply_overrides, variant_of
from sim.run.assemble import Firmware
from sim.run.metrics import Metrics, measure
from sim.run.simulate import Recording, simulate
from sim.studies.answer import answer, clock_moves_speed
from sim.studies.limits import NOTICEABLE, diagnose, met
from sim.studies.strain import strain
from targets import InputError

TOP_FACTOR = 3.0
"""The top speed is looked for with a command this many times the required speed."""
MOST_COMMAND_RPM = 65_535.0
"""What the 16-bit command port of the firmware can hold."""
STEPS_PER_TURN = 6
THRIFT = 1.1
"""Efficiencies, and currents, within this factor decide nothing: a tenth more from a battery."""
_LEAST = 1e-6
"""An efficiency, or a current [A], that is none."""
_INTERRUPTS = HANDLERS[1:4]


@dataclass(frozen=True)
class Row:
    """One design of a comparison; numbers are None where it cannot be built, and `why` says why.

    `top_rpm`: what it settles at when three times the required speed is commanded. `margin`: top speed over
    required speed, less 1. `is_real`: a part that can be bought. `load`: part of the processor's time that
    interrupts take at the required speed. `stack_bytes`: the part of the RAM that is stack. `why`: what does
    not fit, or cannot be built. `limited_by`: what holds back a design that does not meet the requirement, in
    the words of `Diagnosis`; empty where it does, or cannot be built. `settled_...`: as in `Metrics`, as is
    `efficiency`, None where nothing in [load] takes power; `worst_lateness_deg` is settled, too. `strain`:
    that it meets the requirement against itself, in sentences. `too_close_to_call`: memory -> why the
    estimate does not tell whether it is large enough. `clock_tolerance_percent`, `clock_moves_speed`: as in
    `Result`, of the run as it is. `fitted`: gains that the scenario leaves to the motor, of both runs.
    """

    name: str
    overrides: Mapping[str, Override]
    met: bool
    fits: bool
    why: str
    price_USD: float | None = None
    flash_bytes: int | None = None
    flash_room_bytes: int | None = None
    ram_bytes: int | None = None
    ram_room_bytes: int | None = None
    stack_bytes: int | None = None
    worst_case_cycles: int | None = None
    worst_case_us: float | None = None
    load: float | None = None
    settled_rpm: float | None = None
    top_rpm: float | None = None
    margin: float | None = None
    time_to_speed_s: float | None = None
    settled_rms_phase_A: float | None = None
    efficiency: float | None = None
    worst_lateness_deg: float | None = None
    settled_angle_error_deg: float | None = None
    settled_opposed_part: float | None = None
    prescaler: int | None = None
    is_real: bool = True
    limited_by: str = ""
    strain: str = ""
    too_close_to_call: Mapping[str, str] = field(default_factory=dict)
    target: str = ""
    clock_tolerance_percent: float | None = None
    clock_moves_speed: bool = False
    fitted: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Comparison:
    """Rows, the best first: those that meet the requirement by price, then the others by speed; what cannot
    be bought stands behind the parts that meet it.

    `choice`: the cheapest that meets the requirement, None if none does; `unstrained`: the cheapest that does
    so and does not work against itself, None if none does. `next_cheaper`: the dearest of those
    that cost less than it, and `why_not`, what holds that one back.
    """

    design: Design
    rows: tuple[Row, ...]
    choice: Row | None
    unstrained: Row | None
    next_cheaper: Row | None
    why_not: str

    def as_dict(self) -> dict[str, Any]:
        """The comparison for scripts."""
        return {
            "rows": [asdict(row) for row in self.rows],
            "choice": self.choice.name if self.choice else None,
            "unstrained": self.unstrained.name if self.unstrained else None,
            "next_cheaper": self.next_cheaper.name if self.next_cheaper else None,
            "why_not": self.why_not,
        }


def compare(
    design: Design,
    variants: Sequence[Variant],
    prices_USD: Mapping[str, float],
    tell: Callable[[str], None] = lambda _: None,
) -> Comparison:
    """Simulate every variant of a design and rank them.

    Args:
        design: the design.
        variants: what to compare.
        prices_USD: target -> price, where the indicative one of the target file is not the user's.
        tell: is told in a few words what is under way.
    Raises:
        InputError: a key or a value that no design could have.
    """
    rows = rows_of(design, variants, prices_USD, tell)
    if all(row.settled_rpm is None for row in rows):
        apply_overrides(design, variants[0].overrides, source=variants[0].name)
    ranked = tuple(sorted(rows, key=rank))
    choice = ranked[0] if ranked[0].met and ranked[0].is_real else None
    cheaper = _next_cheaper(ranked, choice)
    unstrained = next((row for row in ranked if row.met and row.is_real and not row.strain), None)
    return Comparison(design, ranked, choice, unstrained, cheaper, _why_not(design, cheaper))


def rows_of(
    design: Design, variants: Sequence[Variant], prices_USD: Mapping[str, float], tell: Callable[[str], None]
) -> list[Row]:
    """A row for each variant, in their order; `tell` is told how many there are so far."""
    rows: list[Row] = []
    with ThreadPoolExecutor() as pool:  # the kernel lets go of Python's lock
        for row in pool.map(partial(row_of, design, prices_USD), variants):
            rows.append(row)
            tell(f"{len(rows)} of {len(variants)} variants")
    return rows


def rank(row: Row) -> tuple[float, ...]:
    """Order of the rows, the best first. Margins that differ by less than is noticeable decide nothing."""
    price = row.price_USD if row.price_USD is not None else float("inf")
    if row.met and row.is_real:
        margin = -round((row.margin or 0.0) / NOTICEABLE)
        return (0, price, bool(row.strain), margin, _waste(row), row.load or 0.0, row.flash_bytes or 0)
    return (1 if row.met else 2, -(row.settled_rpm or 0.0) * (1.0 if row.fits else 0.5), price)


def _waste(row: Row) -> int:
    """Steps of THRIFT by which the efficiency is below 1; where no load takes power, by which the current is
    above 1 A."""
    used = row.settled_rms_phase_A if row.efficiency is None else 1.0 / max(row.efficiency, _LEAST)
    return round(math.log(max(used or 0.0, _LEAST), THRIFT))


def row_of(design: Design, prices_USD: Mapping[str, float], variant: Variant, refuse: bool = False) -> Row:
    """One variant, simulated twice: as it is, and told to run as fast as it can.

    Raises:
        InputError: with `refuse`, where the variant cannot be built or run; else the row says so.
    """
    try:
        changed = variant_of(design, variant.overrides, source="")
        recording = simulate(changed)
        metrics = measure(recording)
        top = measure(simulate(_fast(changed), firmware=recording.firmware))
    except InputError as refused:
        if refuse:
            raise
        why = str(refused.faults[0]).splitlines()[0]
        return Row(variant.name, variant.overrides, met=False, fits=False, why=why)
    return _measured(variant, changed, recording, metrics, top.settled_rpm, prices_USD)


def _fast(design: Design) -> Design:
    """The same design commanded to run at several times the required speed."""
    command_rpm = min(TOP_FACTOR * design.require.speed_rpm, MOST_COMMAND_RPM)
    return apply_overrides(design, {"command.steps": None, "command.speed_rpm": command_rpm})


def _measured(
    variant: Variant,
    design: Design,
    recording: Recording,
    metrics: Metrics,
    top_rpm: float,
    prices_USD: Mapping[str, float],
) -> Row:
    firmware = recording.firmware
    linked, memory, target = firmware.linked, firmware.target.memory, firmware.target
    interrupts = [n for name, n in metrics.worst_case_cycles.items() if name in _INTERRUPTS]
    worst = max(interrupts, default=0)
    is_met = met(design, metrics)
    wasted = strain(design, metrics)
    return Row(
        name=variant.name,
        overrides=variant.overrides,
        met=is_met and linked.fits,
        fits=linked.fits,
        why="" if linked.fits else linked.room.reason,
        price_USD=prices_USD.get(target.name, target.price_USD),
        flash_bytes=linked.flash_bytes,
        flash_room_bytes=memory.flash_bytes,
        ram_bytes=linked.ram_bytes,
        ram_room_bytes=memory.ram_bytes,
        stack_bytes=linked.stack_bytes,
        worst_case_cycles=worst,
        worst_case_us=worst * firmware.cycle_scale / firmware.clock_Hz * 1e6,
        load=load_at(design, firmware, design.require.speed_rpm),
        settled_rpm=metrics.settled_rpm,
        top_rpm=top_rpm,
        margin=top_rpm / design.require.speed_rpm - 1.0,
        time_to_speed_s=metrics.time_to_speed_s,
        settled_rms_phase_A=metrics.settled_rms_phase_A,
        efficiency=metrics.efficiency if design.load.takes_power else None,
        worst_lateness_deg=metrics.settled_lateness_deg,
        settled_angle_error_deg=metrics.settled_angle_error_deg,
        settled_opposed_part=metrics.settled_opposed_part,
        prescaler=design.firmware.prescaler,
        is_real=not target.exact_arithmetic,
        limited_by=_limit(design, metrics, is_met, linked.fits),
        strain=wasted.text if wasted else "",
        too_close_to_call=dict(linked.room.close),
        target=target.name,
        clock_tolerance_percent=target.clock.tolerance * 100.0,
        clock_moves_speed=clock_moves_speed(recording, metrics),
        fitted=dict(firmware.program.fitted),
    )


def _limit(design: Design, metrics: Metrics, is_met: bool, fits: bool) -> str:
    """What holds a design back; what would do the job lacks only the memory."""
    if is_met:
        return "" if fits else "memory"
    return diagnose(design, metrics, fits).limited_by


def load_at(design: Design, firmware: Firmware, speed_rpm: float) -> float:
    """Part of the processor's time that interrupts take at a speed, at typical costs; above 1 it is not
    reached: (6 C_step + m C_hall) p n / 60 + C_tick / T_tick, each C with entry and exit; m edges a turn.
    With three sensors the edges are the steps, and the timer only watches over them."""
    if firmware.costs_nothing:
        return 0.0
    around = firmware.target.interrupt.entry_cycles + firmware.target.interrupt.exit_cycles
    turns_per_s = design.motor.pole_pairs * speed_rpm / 60.0
    rates_Hz = {
        "on_step_timer": STEPS_PER_TURN * turns_per_s if design.hall.sensors == 1 else 0.0,
        "on_hall_edge": design.hall.edges_per_turn * turns_per_s,
        "on_control_tick": 1.0 / design.firmware.control_period_s,
    }
    typical = firmware.linked.typical_cycles
    busy = sum((typical[name] + around) * rate for name, rate in rates_Hz.items() if name in typical)
    return busy * firmware.cycle_scale / firmware.clock_Hz


def _next_cheaper(rows: Sequence[Row], choice: Row | None) -> Row | None:
    """The dearest row that costs less than the choice."""
    if choice is None or choice.price_USD is None:
        return None
    cheaper = [r for r in rows if r.is_real and r.price_USD is not None and r.price_USD < choice.price_USD]
    return max(cheaper, key=lambda row: (row.price_USD, row.settled_rpm), default=None)


def _why_not(design: Design, row: Row | None) -> str:
    """What holds a design back, in words."""
    if row is None:
        return ""
    if not row.fits:
        return row.why
    return answer(variant_of(design, row.overrides)).explanation
