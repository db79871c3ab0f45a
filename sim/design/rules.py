"""Relations between keys of a scenario: what is allowed each by itself and contradictory together.

A rule is asked only when all its keys are there and free of faults, so that one slip gives one message and
independent slips are all reported.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sim.design.faults import KEYS, found_text, quoted
from sim.design.firmware_rules import (
    can_nest,
    captures,
    clock_in_range,
    law_exists,
    prescaler_offered,
    target_exists,
)
from sim.design.key import number_text
from sim.design.motor_sections import THERMAL_MODEL
from targets.errors import Fault

_STEP_DEG = 60.0  # electrical angle of one commutation step


@dataclass(frozen=True)
class Rule:
    """`check` gets the values of `keys`, in that order; None stands for an optional key that is not given."""

    keys: tuple[str, ...]
    check: Callable[..., Fault | None]


def _stiction(stiction_Nm: float | None, coulomb_Nm: float) -> Fault | None:
    if stiction_Nm is None or stiction_Nm >= coulomb_Nm:
        return None
    limit = number_text(coulomb_Nm)
    return Fault(
        "motor.stiction_Nm",
        "must not be less than motor.coulomb_Nm",
        found_text(stiction_Nm),
        f"allowed: {limit} Nm (coulomb_Nm) and more; without stiction_Nm it equals coulomb_Nm",
    )


def _fan_speed(torque_Nm: float | None, speed_rpm: float | None) -> Fault | None:
    if (torque_Nm is None) == (speed_rpm is None):
        return None
    missing, given = (
        ("fan_speed_rpm", "fan_torque_Nm") if speed_rpm is None else ("fan_torque_Nm", "fan_speed_rpm")
    )
    return Fault(
        f"load.{missing}",
        f"must be given together with load.{given}",
        "nothing",
        f"add {missing} (allowed: {KEYS[f'load.{missing}'].allowed}), or leave out both for no fan",
    )


def _propeller_whole(diameter_m: float | None, coefficient: float | None) -> Fault | None:
    if (diameter_m is None) == (coefficient is None):
        return None
    pair = ("propeller_diameter_m", "propeller_power_coefficient")
    missing, given = pair if diameter_m is None else pair[::-1]
    return Fault(
        f"load.{missing}",
        f"must be given together with load.{given}",
        "nothing",
        f"add {missing} (allowed: {KEYS[f'load.{missing}'].allowed}), or leave out both for no propeller",
    )


# the room in the simulation's records
_MAX_STEPS, _MAX_POINTS, _MAX_SUPPLY_STEPS = 15, 16, 16


def _rising(rows: Any, key: str, name: str, most: int) -> Fault | None:
    """Whether a list of tables is short enough and its first column rises."""
    if len(rows) > most:
        return Fault(key, f"must hold at most {most} rows", f"{len(rows)} rows", "leave some out")
    for index, (before, after) in enumerate(itertools.pairwise(row[name] for row in rows), start=1):
        if after <= before:
            place, remedy = f"{key}[{index}].{name}", "put the rows in rising order"
            return Fault(place, "must increase from row to row", found_text(after), remedy)
    return None


def _load_steps(steps: Any) -> Fault | None:
    return _rising(steps, "load.torque_steps", "at_s", _MAX_STEPS)


def _supply_steps(steps: Any) -> Fault | None:
    return _rising(steps, "drive.supply_steps", "at_s", _MAX_SUPPLY_STEPS)


def _load_table(points: Any) -> Fault | None:
    return _rising(points, "load.torque_table", "speed_rpm", _MAX_POINTS)


def _waveform_file(back_emf: str, file: str | None) -> Fault | None:
    if (back_emf == "measured") == (file is not None):
        return None
    if file is None:
        return Fault(
            "motor.back_emf_file", 'must be given for back_emf = "measured"', "nothing", "name a CSV file"
        )
    remedy = 'set back_emf = "measured", or leave out back_emf_file'
    return Fault(
        "motor.back_emf", 'must be "measured" for back_emf_file to be used', quoted(back_emf), remedy
    )


_SHORTEST_BUFFER_s = 1e-6  # segments must be short against it


def _buffer(resistance_ohm: float, capacitance_F: float) -> Fault | None:
    if resistance_ohm == 0 or resistance_ohm * capacitance_F >= _SHORTEST_BUFFER_s:
        return None
    return Fault(
        "drive.bulk_capacitance_F",
        "must make at least 1 us with drive.supply_resistance_ohm",
        found_text(capacitance_F),
        f"allowed: {number_text(_SHORTEST_BUFFER_s / resistance_ohm)} F and more, or leave out both",
    )


def _sag_needs_resistance(sag_ohm: float, fade_V_per_As: float, resistance_ohm: float) -> Fault | None:
    if resistance_ohm > 0 or (sag_ohm == 0 and fade_V_per_As == 0):
        return None
    return Fault(
        "drive.supply_resistance_ohm",
        "must be above 0 for a battery that sags or fades",
        "0",
        "give the resistance that the battery shows at once",
    )


_LONGEST_DEAD_PART = 0.25  # of a PWM period: beyond that, little is left to modulate


def _dead_time(dead_time_s: float, pwm_Hz: float) -> Fault | None:
    if dead_time_s * pwm_Hz <= _LONGEST_DEAD_PART:
        return None
    return Fault(
        "drive.dead_time_s",
        "must not exceed a quarter of the PWM period",
        found_text(dead_time_s),
        f"allowed: up to {number_text(_LONGEST_DEAD_PART / pwm_Hz)} s",
    )


def _thermal_whole(*values: float | None) -> Fault | None:
    missing = [name for name, value in zip(THERMAL_MODEL, values, strict=True) if value is None]
    if len(missing) in (0, len(THERMAL_MODEL)):
        return None
    return Fault(
        f"thermal.{missing[0]}",
        "must be given together with the other three numbers of the thermal model",
        "nothing",
        f"add {', '.join(missing)}, or leave out all four for a winding that stays at ambient temperature",
    )


def _hall_width(placement_error_deg: float, hysteresis_deg: float) -> Fault | None:
    worst_deg = abs(placement_error_deg) + hysteresis_deg / 2
    if worst_deg <= _STEP_DEG:
        return None
    widest_deg = 2 * (_STEP_DEG - abs(placement_error_deg))
    return Fault(
        "hall.hysteresis_deg",
        "half of it plus the placement error must not exceed one step of 60 deg",
        f"{number_text(worst_deg)} deg",
        f"allowed with this placement error: 0 to {number_text(widest_deg)} deg",
    )


def _one_or_three(sensors: int) -> Fault | None:
    if sensors in (1, 3):
        return None
    return Fault(
        "hall.sensors",
        "must be 1 or 3",
        found_text(sensors),
        "three sensors tell all six steps, one tells two",
    )


def _one_command(speed_rpm: float | None, steps: Any) -> Fault | None:
    if (speed_rpm is None) != (steps is None):
        return None
    return Fault(
        "command",
        "must have either speed_rpm or steps",
        "neither" if steps is None else "both",
        "give speed_rpm for one speed, or steps = [{ at_s = 0.0, speed_rpm = ... }, ...]",
    )


def _step_times(steps: Any, duration_s: float) -> Fault | None:
    if steps is None:
        return None
    times = [step["at_s"] for step in steps]
    if not times:
        return Fault(
            "command.steps",
            "must hold at least one step",
            "an empty list",
            "add { at_s = 0.0, speed_rpm = ... }",
        )
    if times[0] != 0:
        return Fault(
            "command.steps[0].at_s", "must be 0", found_text(times[0]), "start the list of steps at 0 s"
        )
    for index, (before, after) in enumerate(itertools.pairwise(times), start=1):
        if after <= before:
            remedy = (
                f"put the steps in order of time, each later than the one before ({number_text(before)} s)"
            )
            return Fault(
                f"command.steps[{index}].at_s", "must increase from step to step", found_text(after), remedy
            )
    if times[-1] >= duration_s:
        remedy = f"allowed: below {number_text(duration_s)} s, or make duration_s longer"
        place = f"command.steps[{len(times) - 1}].at_s"
        return Fault(
            place, "must lie before the end of the run (command.duration_s)", found_text(times[-1]), remedy
        )
    return None


def _time_to_reach(within_s: float, duration_s: float) -> Fault | None:
    if within_s <= duration_s:
        return None
    return Fault(
        "require.within_s",
        "must not be longer than the run (command.duration_s)",
        found_text(within_s),
        f"allowed: up to {number_text(duration_s)} s, or make duration_s longer",
    )


def _reachable(required_rpm: float, speed_rpm: float | None, steps: Any) -> Fault | None:
    asked = [step["speed_rpm"] for step in steps or ()] + ([] if speed_rpm is None else [speed_rpm])
    if not asked or required_rpm <= max(asked):
        return None
    return Fault(
        "require.speed_rpm",
        "must not be above the speed that is commanded",
        found_text(required_rpm),
        f"allowed: up to {number_text(max(asked))} rpm, or command a higher speed",
    )


RULES = (
    Rule(("motor.stiction_Nm", "motor.coulomb_Nm"), _stiction),
    Rule(("hall.placement_error_deg", "hall.hysteresis_deg"), _hall_width),
    Rule(("hall.sensors",), _one_or_three),
    Rule(("load.fan_torque_Nm", "load.fan_speed_rpm"), _fan_speed),
    Rule(("motor.back_emf", "motor.back_emf_file"), _waveform_file),
    Rule(("drive.supply_resistance_ohm", "drive.bulk_capacitance_F"), _buffer),
    Rule(
        ("drive.battery_sag_ohm", "drive.battery_fade_V_per_As", "drive.supply_resistance_ohm"),
        _sag_needs_resistance,
    ),
    Rule(("drive.dead_time_s", "drive.pwm_Hz"), _dead_time),
    Rule(("load.propeller_diameter_m", "load.propeller_power_coefficient"), _propeller_whole),
    Rule(("load.torque_steps",), _load_steps),
    Rule(("drive.supply_steps",), _supply_steps),
    Rule(("load.torque_table",), _load_table),
    Rule(tuple(f"thermal.{name}" for name in THERMAL_MODEL), _thermal_whole),
    Rule(("firmware.law",), law_exists),
    Rule(("firmware.target",), target_exists),
    Rule(("firmware.clock_Hz", "firmware.target"), clock_in_range),
    Rule(("firmware.prescaler", "firmware.target"), prescaler_offered),
    Rule(("firmware.capture", "firmware.target"), captures),
    Rule(("firmware.structure", "firmware.target"), can_nest),
    Rule(("command.speed_rpm", "command.steps"), _one_command),
    Rule(("command.steps", "command.duration_s"), _step_times),
    Rule(("require.speed_rpm", "command.speed_rpm", "command.steps"), _reachable),
    Rule(("require.within_s", "command.duration_s"), _time_to_reach),
)


def rule_faults(data: Mapping[str, Any], faulty: set[str]) -> Iterator[Fault]:
    """Faults of all rules whose keys are sound; `faulty` holds the dotted paths that already have a fault."""
    for rule in RULES:
        if not any(_touches(key, path) for key in rule.keys for path in faulty):
            fault = rule.check(*(_value(data, key) for key in rule.keys))
            if fault is not None:
                yield fault


def _touches(key: str, path: str) -> bool:
    """Whether a fault at `path` says something about `key`: the same, inside it, or around it."""
    return key == path or key.startswith(f"{path}.") or path.startswith(f"{key}.")


def _value(data: Mapping[str, Any], path: str) -> Any:
    """The value given for a key, or its default."""
    section, _, name = path.partition(".")
    return data.get(section, {}).get(name, KEYS[path].default)
