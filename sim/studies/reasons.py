"""What holds a design back, limit by limit, in plain words with its numbers."""

from collections.abc import Callable
from typing import Final

from sim.processor.records import LATE_STEP_DEG
from sim.run.ceilings import tick_step_rpm, wrap_floor_rpm
from sim.run.fitted_gains import fitted_gains
from sim.run.metrics import Metrics, settled_rows
from sim.run.simulate import Recording
from sim.run.torques import rest_torque_Nm, stall_torque_Nm
from sim.studies.limits import has_parted, judged_C, too_hot
from sim.studies.outcome import never_got_away, overshoot_reason, told_angle
from sim.studies.suspects import SLOW_RISE, given_gains, rise_s, start_duty

Ceilings = dict[str, float]

FULL_DUTY: Final = 0.98
"""A law whose mean duty is below could push more."""


def _step_us(recording: Recording, metrics: Metrics) -> float:
    """Step time at the settled speed [us]: 10 / (p n)."""
    return 1e7 / (recording.design.motor.pole_pairs * max(metrics.settled_rpm, 1.0))


def _command(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del metrics, ceilings
    return (
        f"It does what it is told: {recording.design.command.profile[-1].speed_rpm:,.0f} rpm are commanded."
    )


def _memory(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del recording, metrics, ceilings
    return "It would do what it is told, if the firmware had room."


def _processor(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    firmware, structure = recording.firmware, recording.design.firmware.structure
    # the main loop holds up the handlers only where it polls
    aside = ("on_start",) if structure == "polled" else ("on_start", "main_loop")
    name, cycles = max(
        metrics.worst_case_cycles.items(), key=lambda item: item[1] if item[0] not in aside else -1
    )
    time_us = cycles * firmware.cycle_scale / firmware.clock_Hz * 1e6
    blocking = ceilings["blocking"]
    limit = f"; a step that has to wait is a whole step late above {blocking:,.0f} rpm" if blocking else ""
    if "main_loop" in metrics.worst_response_us:
        limit += f"; a round of the main loop takes up to {metrics.worst_response_us['main_loop']:,.0f} us"
    return (
        f"The processor holds it back: {name} takes up to {cycles:,} clocks = {time_us:,.0f} us on "
        f"{firmware.target.name}, and a step lasts {_step_us(recording, metrics):,.0f} us at this "
        f"speed{limit}."
    )


def _timer(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del ceilings
    firmware, pairs = recording.firmware, recording.design.motor.pole_pairs
    floor_rpm = wrap_floor_rpm(pairs, firmware.tick_s, firmware.timer_bits)
    if metrics.settled_rpm < 1.5 * floor_rpm:
        return (
            f"The range of the timer holds it back: its {firmware.timer_bits} bits of "
            f"{firmware.tick_s * 1e6:.3g} us cannot measure a speed below {floor_rpm:,.0f} rpm, so the law "
            "never learns the speed; a larger prescaler can."
        )
    jump = tick_step_rpm(pairs, firmware.tick_s, metrics.settled_rpm)
    return (
        f"The timer tick holds it back: one tick is {firmware.tick_s * 1e6:.3g} us, a step only "
        f"{metrics.settled_step_ticks:,.0f} ticks, and one tick more or less moves the speed by "
        f"{jump:,.0f} rpm."
    )


def _rounding(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del ceilings, metrics
    program = recording.firmware.program
    rounded = [
        f"{r.parameter} = {r.asked:g} becomes {r.stored:g} {r.unit}".rstrip()
        for r in program.rounding
        if r.shows()
    ]
    detail = f": {'; '.join(rounded)}" if rounded else ""
    return f"The rounding of {program.arithmetic} holds it back{detail}."


def _law(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del ceilings
    law, command_rpm = recording.design.firmware.law, recording.design.command.profile[-1].speed_rpm
    if metrics.settled_rpm > command_rpm:
        return f"The law {law} does not hold the speed down: {command_rpm:,.0f} rpm are commanded."
    if has_parted(metrics):
        return f"The law {law} holds it back: {_parted(metrics)}."
    duty = float(settled_rows(recording, "duty").mean())
    if duty < FULL_DUTY and abs(metrics.settled_angle_error_deg) < LATE_STEP_DEG:
        return (
            f"The law {law} holds it back: its steps are in place, but it keeps the duty at {duty:.0%} with "
            f"{metrics.settled_rpm:,.0f} of {command_rpm:,.0f} rpm reached: it takes the speed to be higher, "
            "or leaves an error standing."
        )
    return (
        f"The law {law} holds it back: its steps come "
        f"{told_angle(metrics.settled_angle_error_deg)} on average."
    )


def _start(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del metrics, ceilings
    stays = ", and never gets away from standstill with it" if never_got_away(recording) else ""
    duty = start_duty(recording.design)
    return f"The start holds it back: the law gives the duty start_duty = {duty:g}{stays}."


def _gains(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del metrics, ceilings
    given, fitted = given_gains(recording.design), fitted_gains(recording.design)
    asked = ", ".join(f"{key} = {value:g} ({fitted[key]:g} fits)" for key, value in given.items())
    return f"The gains of the scenario do not fit the motor: {asked}."


def _hall(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del ceilings, metrics
    hall = recording.design.hall
    errors = [f"{hall.placement_error_deg:+g} electrical degrees, every step with it"]
    if hall.pole_width_error_deg or hall.second_error_deg or hall.third_error_deg:
        errors.append("edges at unequal distances")
    if hall.delay_s or hall.jitter_s:
        errors.append(f"{(hall.delay_s + hall.jitter_s) * 1e6:g} us late at most")
    if hall.glitches_per_s:
        errors.append(f"{hall.glitches_per_s:g} false edges a second")
    return f"The Hall sensor holds it back: {'; '.join(errors)}."


def _supply(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    drive, sag = recording.design.drive, ""
    volts, last = drive.last_supply_V, " after its last step" if drive.supply_steps else ""
    if drive.supply_resistance_ohm > 0.0 or drive.supply_steps:
        sag = f" At the bridge it falls to {metrics.lowest_bridge_V:.2f} V."
    return (
        f"The supply holds it back: with {volts:g} V{last} the back-EMF alone ends at "
        f"{ceilings['supply']:,.0f} rpm, with friction and load the torque is used up at "
        f"{ceilings['torque']:,.0f} rpm ({_current(metrics)}).{sag}{_faded(recording)}"
        f"{_slow_coils(recording, metrics)}"
    )


def _drag(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    if never_got_away(recording):
        return f"Friction and load hold it back: it never gets away from standstill; {_at_rest(recording)}."
    return (
        f"Friction and load hold it back: they use up the torque at {ceilings['torque']:,.0f} rpm "
        f"({_current(metrics)}).{_slow_coils(recording, metrics)}"
    )


def _current(metrics: Metrics) -> str:
    """The settled current, at the speed of the end, which is not that of the torque ceiling."""
    return f"{metrics.settled_rms_phase_A:.2f} A rms per phase at the end, at {metrics.settled_rpm:,.0f} rpm"


def _faded(recording: Recording) -> str:
    """What a battery that fades has given, and what that cost."""
    drawn_As = float(recording.state["drawn_A_s"])
    lost_V = recording.design.drive.battery_fade_V_per_As * drawn_As
    return f" The battery has given {drawn_As:.3g} As and lost {lost_V:.2f} V." if lost_V > 0.0 else ""


def _cogging(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del metrics, ceilings
    motor = recording.design.motor
    (detent,) = _torques_text(motor.cogging_Nm)
    return (
        f"Cogging holds it back: {motor.cogging_periods_per_turn} detents of {detent} a turn, which the "
        "start must overcome one by one."
    )


def _heat(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    if not too_hot(recording.design, metrics):
        return "Heat holds it back: warm copper has more resistance, warm magnets give less back-EMF."
    held = ceilings["heat"]
    room = f"the torque of a winding at its limit lasts to {held:,.0f} rpm"
    if held > metrics.settled_rpm:
        room = (
            "with smooth current and ideal commutation it would stay below that up to "
            f"{held:,.0f} rpm: what heats it besides is the ripple of the PWM (a higher drive.pwm_Hz makes "
            "it smaller) or steps that come late"
        )
    return f"Heat holds it back: {temperature(recording, metrics)}; {room}."


def temperature(recording: Recording, metrics: Metrics) -> str:
    """How hot the winding gets, against its limit."""
    thermal, winding_C = recording.design.thermal, judged_C(recording.design, metrics)
    if winding_C == float("inf"):
        return f"the winding runs away thermally, {thermal.winding_limit_C:g} C is its limit"
    when = "in the run" if thermal.judged == "run" else "if this goes on"
    return f"the winding gets to {winding_C:.0f} C {when}, {thermal.winding_limit_C:g} C is its limit"


def _clock(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del metrics, ceilings
    error = recording.design.firmware.clock_error_percent
    return (
        f"The clock moves it: it is off by {error:+g} %, and the law measures the speed and times the steps "
        "with it."
    )


def _overshoot(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del metrics, ceilings
    return overshoot_reason(recording)


def _locked(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del recording, metrics, ceilings
    return 'The shaft is locked (load.rotor = "locked"): these are the currents of a jammed motor.'


def _several(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    if never_got_away(recording):
        return (
            f"It never gets away from standstill: {_at_rest(recording)}. {_NO_CAUSE}: try more torque or "
            "less load, another motor.start_angle_deg, less stiction, or slower first steps where the law "
            "starts without a sensor."
        )
    if has_parted(metrics):
        return f"{_NO_CAUSE}: {_parted(metrics)}."
    return (
        f"{_NO_CAUSE}: several things hold it back together (steps are up to "
        f"{metrics.worst_lateness_deg:,.0f} electrical degrees late; "
        f"the torque would last to {ceilings['torque']:,.0f} rpm)."
    )


def _stall(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del metrics, ceilings
    happens = "It never gets away from standstill" if never_got_away(recording) else "The load stalls it"
    return f"{happens}: {_at_rest(recording)}."


def _at_rest(recording: Recording) -> str:
    """The torques of a rotor at rest."""
    has, taken = _torques_text(stall_torque_Nm(recording.design), rest_torque_Nm(recording.design))
    return f"at rest the motor has {has} at full duty, friction and load take {taken}"


def _torques_text(*torques_Nm: float) -> list[str]:
    """Torques to three digits, all in the unit that suits the largest."""
    unit, one_Nm = next((u for u in _TORQUE_UNITS if max(torques_Nm) >= u[1]), _TORQUE_UNITS[-1])
    return [f"{torque_Nm / one_Nm:.3g} {unit}" for torque_Nm in torques_Nm]


_NO_CAUSE = "No single cause stands out"
_TORQUE_UNITS: Final = (("Nm", 1.0), ("mNm", 1e-3), ("uNm", 1e-6))
"""The largest first."""


def _inductance(recording: Recording, metrics: Metrics, ceilings: Ceilings) -> str:
    del ceilings
    return f"The inductance of the coils holds it back: {_rise(recording, metrics)}."


def _rise(recording: Recording, metrics: Metrics) -> str:
    """The time constant of the coils against the time of a step."""
    return (
        f"the current takes L/R = {rise_s(recording.design) * 1e6:,.0f} us to rise, and a step lasts "
        f"{_step_us(recording, metrics):,.0f} us at this speed"
    )


def _slow_coils(recording: Recording, metrics: Metrics) -> str:
    """That the torque ceiling, which leaves the inductance out, leaves out something here."""
    is_slow = rise_s(recording.design) * 1e6 > SLOW_RISE * _step_us(recording, metrics)
    return f" The inductance takes its part: {_rise(recording, metrics)}." if is_slow else ""


def _parted(metrics: Metrics) -> str:
    return f"rotor and steps have parted, {metrics.settled_opposed_part:.0%} of the steps oppose it"


REASONS: Final[dict[str, Callable[[Recording, Metrics, Ceilings], str]]] = {
    "command": _command,
    "memory": _memory,
    "processor": _processor,
    "timer": _timer,
    "rounding": _rounding,
    "law": _law,
    "start": _start,
    "gains": _gains,
    "clock": _clock,
    "hall": _hall,
    "supply": _supply,
    "inductance": _inductance,
    "friction": _drag,
    "load": _drag,
    "cogging": _cogging,
    "heat": _heat,
    "overshoot": _overshoot,
    "locked": _locked,
    "stall": _stall,
    "several": _several,
}
