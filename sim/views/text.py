"""The verdict as text for a terminal: plain, aligned, fit for a log file."""

import textwrap
from collections.abc import Iterable
from dataclasses import replace

from controllers.cost import LinkedProgram
from controllers.program import Program
from sim.design import Design
from sim.run.metrics import Metrics
from sim.run.torques import continuous_torque_Nm
from sim.studies.answer import CAUTION, Result
from sim.studies.limits import Gain, has_parted
from sim.studies.outcome import told_angle, told_rpm
from sim.views.next_steps import Typed, next_step
from sim.views.words import overshoot_text, tolerance_text
from targets import Target

WIDTH = 100
SCENARIO = Typed()
_CEILING_WORDS = {
    "supply": "back-EMF equals the supply, ideal commutation (early steps go beyond)",
    "torque": "torque used up by friction and load, ideal commutation",
    "latency": "a step that had to wait for other code lags a quarter electrical period",
    "processor": "handlers fill the whole electrical turn",
    "blocking": "the wait for other code and the step handler fill one step",
    "tick": "one timer tick moves the speed by the tolerance",
    "heat": "friction and load take the torque of a winding at its temperature limit",
}


def run_text(result: Result, typed: Typed = SCENARIO) -> str:
    """The whole text of `tickspin run`: verdict, reasons, ceilings, firmware, motor, what to try next,
    caution."""
    blocks = [
        _heading(result),
        _verdict(result),
        _gains(result),
        _ceilings(result),
        _firmware(result),
        _motor(result),
        _next(result, typed),
        _wrapped(CAUTION),
    ]
    return "\n\n".join(block for block in blocks if block)


def _next(result: Result, typed: Typed) -> str:
    """What to try against what stands in the way, or against what is wasted."""
    if not result.met:
        return next_step(result.diagnosis.limited_by, result.design, typed)
    if result.strain is None or result.strain.blamed == "hall":
        return ""
    return next_step(result.strain.blamed, result.design, replace(typed, law=result.strain.law or typed.law))


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH)


def _rows(title: str, rows: Iterable[tuple[str, str]]) -> str:
    """A titled block of name and value."""
    rows = list(rows)
    width = max(len(name) for name, _ in rows)
    return "\n".join([title, *(f"  {name:<{width}}  {value}" for name, value in rows)])


def _heading(result: Result) -> str:
    design, firmware = result.design, result.recording.firmware
    clock_MHz = firmware.nominal_Hz / firmware.cycle_scale / 1e6
    lines = [
        f"{design.title or design.name}: {design.summary}",
        f"{design.firmware.law} in {firmware.program.arithmetic} on {firmware.target.name} at "
        f"{clock_MHz:g} MHz{_off(design)}{_wait_states(firmware.target)}, "
        f"timer tick {firmware.tick_s * 1e6:.4g} us{_prescaler(design)}, {design.drive.supply_V:g} V",
    ]
    if firmware.program.arithmetic != design.firmware.arithmetic:
        lines.append(
            f"note: computed exactly in {firmware.program.arithmetic}; firmware.arithmetic "
            f"{design.firmware.arithmetic} of the scenario is not used"
        )
    return "\n".join(lines)


def _prescaler(design: Design) -> str:
    """What divides the clock, which another target may have changed; nothing does where the tick is
    idealised."""
    return "" if "tick" in design.firmware.idealise else f" (prescaler {design.firmware.prescaler})"


def _off(design: Design) -> str:
    error = design.firmware.clock_error_percent
    return f" ({error:+g} % off)" if error else ""


def _wait_states(target: Target) -> str:
    count = target.wait_states
    return f" with {count} flash wait state{'s' if count > 1 else ''}" if count else ""


def _verdict(result: Result) -> str:
    require = result.design.require
    word = "MET" if result.met else "NOT MET"
    head = f"{word}: {require.speed_rpm:,.0f} rpm within {require.within_s:g} s."
    lines = [f"{head} Limited by: {result.diagnosis.limited_by}.", _wrapped(result.explanation)]
    if overshoot := overshoot_text(result):
        lines.append(_wrapped(overshoot))
    lines.append(f"({tolerance_text(require)})")
    return "\n".join(lines)


def _gain_value(gain: Gain) -> str:
    if gain.settled_rpm is None:
        return f"cannot be run: {gain.refused}"
    time = (
        "required speed never reached"
        if gain.time_to_speed_s is None
        else f"required speed after {gain.time_to_speed_s:.2f} s"
    )
    lost = "" if gain.is_held or gain.time_to_speed_s is None else ", not held"
    parted = ", rotor and steps part" if gain.has_parted else ""
    lacks = f", but it {gain.lacks}" if gain.lacks else ""
    return f"{told_rpm(gain.settled_rpm):>8} rpm, {time}{lost}{parted}{lacks}"


def _gains(result: Result) -> str:
    gains = result.diagnosis.gains
    if not gains:
        return ""
    rows = [(gain.change, _gain_value(gain)) for gain in gains]
    after = ", after them what does not fit" if any(gain.lacks for gain in gains) else ""
    return _rows(f"The same design with one thing changed, best first{after}", rows)


def _ceilings(result: Result) -> str:
    def value(name: str) -> str:
        rpm = result.ceilings_rpm[name]
        if name == "heat" and not result.design.thermal.is_modelled:
            return f"{'-':>9}  not judged: [thermal] gives no resistances and capacities"
        shown = "none" if rpm == float("inf") else f"{rpm:,.0f}"
        return f"{shown:>9}  {_CEILING_WORDS[name]}"

    rows = [("simulated", f"{told_rpm(result.metrics.settled_rpm):>9}  settled")]
    rows += [(name, value(name)) for name in result.ceilings_rpm]
    rows.append(("slowest measurable", f"{result.floor_rpm:>9,.0f}  an electrical turn fills the timer"))
    return _rows("Speeds in closed form [rpm]: above each of them, what its line says sets in", rows)


def _cycles(metrics: Metrics) -> Iterable[tuple[str, str]]:
    for name, cycles in metrics.worst_case_cycles.items():
        done = "longest round" if name == "main_loop" else "done within"
        seen, response_us = metrics.measured_cycles.get(name, 0), metrics.worst_response_us.get(name, 0.0)
        at_worst = _at_worst(metrics.response_bound_us[name]) if name in metrics.response_bound_us else ""
        yield name, f"{cycles:,} clocks at worst, {seen:,} seen; {done} {response_us:,.1f} us{at_worst}"


def _at_worst(bound_us: float | None) -> str:
    return ", at worst never: the others leave no time" if bound_us is None else f", at worst {bound_us:,.1f}"


def _firmware(result: Result) -> str:
    metrics, firmware = result.metrics, result.recording.firmware
    memory, linked = firmware.target.memory, firmware.linked
    rows = [
        *_cycles(metrics),
        ("processor load", f"{metrics.cpu_load:.0%} at the end, {metrics.peak_cpu_load:.0%} at most"),
        ("late steps", f"{metrics.late_steps:,} of {metrics.steps:,} (by more than a quarter of a step)"),
        (
            "worst lateness",
            f"{metrics.worst_lateness_us:,.1f} us = {metrics.worst_lateness_deg:.1f} electrical degrees",
        ),
        (
            "opposed steps",
            f"{metrics.opposed_steps:,} (pushed against the motion); "
            f"at the end {metrics.settled_opposed_part:.0%} of all steps",
        ),
        ("commutation", _commutation(metrics)),
        (
            "missed",
            f"{metrics.missed_edges:,} Hall edges, {metrics.missed_compares:,} compares, "
            f"{metrics.overruns:,} overruns",
        ),
        ("one tick is", f"{result.tick_step_rpm:,.1f} rpm at this speed"),
        *_clock(result),
        ("flash", f"{linked.flash_bytes:,} of {memory.flash_bytes:,} bytes{_close(linked, 'flash')}"),
        (
            "RAM",
            f"{linked.ram_bytes:,} of {memory.ram_bytes:,} bytes, {linked.stack_bytes:,} of stack"
            f"{_close(linked, 'RAM')}",
        ),
    ]
    rows += [
        ("fault", f"{fault.kind}, {fault.place}: {fault.text} ({fault.count:,} times)")
        for fault in metrics.faults
    ]
    rows += [("fitted", text) for text in fitted_texts(firmware.program)]
    rows += [("rounded", text) for text in rounding_texts(firmware.program)]
    return _rows("Firmware (clocks with interrupt entry and exit, which `tickspin cost` leaves out)", rows)


def _close(linked: LinkedProgram, memory: str) -> str:
    """That the number decides nothing, where it does not."""
    return f"; {linked.room.close[memory]}" if memory in linked.room.close else ""


def _commutation(metrics: Metrics) -> str:
    """The place of the steps at the end; where rotor and steps have parted, they have no place."""
    if has_parted(metrics):
        return "none: rotor and steps have parted"
    return f"{told_angle(metrics.settled_angle_error_deg)} on average, at the end"


def _clock(result: Result) -> Iterable[tuple[str, str]]:
    """What the oscillator alone may do to the speed, where that is more than the requirement allows."""
    if result.clock_moves_speed:
        percent, target = result.clock_tolerance_percent, result.recording.firmware.target.name
        allowed = result.design.require.tolerance_percent
        yield (
            "clock",
            f"off by up to {percent:g} % on {target}, and this speed with it; {allowed:g} % allowed",
        )


def fitted_texts(program: Program) -> list[str]:
    """Gains that the scenario leaves to its motor."""
    return [
        f"{key} = {value:g}, to the motor; firmware.parameters sets another"
        for key, value in program.fitted.items()
    ]


def rounding_texts(program: Program) -> list[str]:
    """What the arithmetic made of parameters and constants, where the digits told show it."""
    return [
        f"{r.parameter}: {r.asked:g} asked, {f'{r.stored:g} {r.unit}'.rstrip()} held"
        for r in program.rounding
        if r.shows()
    ]


def _motor(result: Result) -> str:
    metrics = result.metrics
    return _rows(
        "Motor",
        [
            ("phase current", f"{metrics.settled_rms_phase_A:.3f} A rms at the end"),
            (
                "whole run",
                f"{metrics.rms_phase_A:.3f} A rms, {metrics.peak_phase_A:.3f} A peak, start included",
            ),
            *_supply(result),
            *_winding(result),
            ("efficiency", _efficiency(result)),
            ("energy balance", f"off by {metrics.energy_balance_error:.1e} of what went in"),
        ],
    )


def _efficiency(result: Result) -> str:
    if not result.design.load.takes_power:
        return "none to tell: nothing in [load] takes power"
    return f"{result.metrics.efficiency:.1%} (load over supply, at the end)"


def _supply(result: Result) -> Iterable[tuple[str, str]]:
    """What the supply and the comparator did, where there is something to say."""
    metrics, drive = result.metrics, result.design.drive
    if drive.supply_resistance_ohm > 0.0 or drive.supply_steps:
        yield (
            "supply",
            f"{metrics.lowest_bridge_V:.2f} V at the bridge at the lowest, {drive.supply_V:g} V open",
        )
    if drive.over_current_trip_A is not None:
        yield "current limit", f"{metrics.over_current_trips:,} trips at {drive.over_current_trip_A:g} A"


def _winding(result: Result) -> Iterable[tuple[str, str]]:
    """The winding's temperatures, where anything warms up."""
    metrics, thermal = result.metrics, result.design.thermal
    if metrics.winding_C is None or metrics.winding_steady_C is None:
        return
    ends = f"{metrics.winding_steady_C:,.0f} C if the settled current goes on"
    if metrics.winding_steady_C == float("inf"):
        ends = "without end if the settled current goes on (thermal runaway)"
    yield "winding", f"{metrics.winding_C:.0f} C in the run, {ends}; limit {thermal.winding_limit_C:g} C"
    torque_Nm = continuous_torque_Nm(result.design)
    yield "continuous torque", f"{torque_Nm * 1e3:.3g} mNm (keeps the winding at its limit)"
