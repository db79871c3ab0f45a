"""What may hold a design back: each suspect is the design with one thing taken away, or with less of it."""

from dataclasses import dataclass

from controllers import describe_law, law_path
from sim.design import THERMAL_MODEL, Design, LoadPoint, LoadStep, Override, Variant, choices_of

MORE_SUPPLY = "x1.25"
LESS_LOAD = "x0.5"
LESS_INDUCTANCE = "x0.5"
SLOW_RISE = 0.1
"""Coils whose L/R is below this part of a step take less than about that part of the torque: no suspect, for
near pull-out any change of a motor changes the outcome."""
FOLLOWING_LAWS = {1: "duty_pi", 3: "duty_pi_three"}
"""By the number of Hall sensors."""
FOLLOWING = "commutation held to the rotor, the duty trimmed"
PERFECT = (
    ("processor", "cost", "instructions that take no time"),
    ("timer", "tick", "a 32-bit step timer with a tick of about 30 ns"),
    ("rounding", "rounding", "arithmetic in f64 at the same cost"),
)
"""Name of the suspect, what `firmware.idealise` calls it, the change in words."""
START_DUTY, FULL = "start_duty", 1.0
"""Parameter of the laws that control the duty, and the highest of its values."""
NARROW = "i16"
WIDE = "i32"
"""In this arithmetic the following laws compile for every timer and motor."""
BACKGROUND = "_background"
"""Ending of the law that does the same with its arithmetic in the main loop."""


@dataclass(frozen=True)
class Suspect:
    """One thing that may hold a design back: the variant without it or with less of it, that in words;
    `instead` is tried where that variant cannot be built."""

    variant: Variant
    change: str
    instead: "Suspect | None" = None


def suspects(design: Design) -> list[Suspect]:
    """Everything that can be taken away from this design, firmware first."""
    listed = [
        Suspect(Variant(name, {"firmware.idealise": [*design.firmware.idealise, what]}), change)
        for name, what, change in PERFECT
        if what not in design.firmware.idealise
    ]
    listed += _firmware_suspects(design)
    return listed + _motor_suspects(design)


def _firmware_suspects(design: Design) -> list[Suspect]:
    """Law, its parameters, oscillator and sensors."""
    listed = [_following(design)] if design.firmware.law != FOLLOWING_LAWS[design.hall.sensors] else []
    if given := given_gains(design):
        others = {key: v for key, v in design.firmware.parameters.items() if key not in given}
        fitted = Variant("gains", {"firmware.parameters": others})
        listed.append(Suspect(fitted, "gains fitted to the motor"))
    if (start_duty(design) or FULL) < FULL:
        strong = Variant("start", {f"firmware.parameters.{START_DUTY}": FULL})
        listed.append(Suspect(strong, "full duty at the start"))
    if design.firmware.clock_error_percent:
        exact = Variant("clock", {"firmware.clock_error_percent": 0.0})
        listed.append(Suspect(exact, "an oscillator that is not off"))
    if perfect := _perfect_hall(design):
        listed.append(Suspect(Variant("hall", perfect), "the Hall sensor exactly in place and undisturbed"))
    return listed


def given_gains(design: Design) -> dict[str, float]:
    """Parameters that the law would fit to the motor if the scenario did not give them."""
    fitted = {p.key for p in describe_law(law_path(design.firmware.law)).parameters if p.fitted}
    return {key: value for key, value in design.firmware.parameters.items() if key in fitted}


def start_duty(design: Design) -> float | None:
    """What the law gives until it knows the speed; None where that is no parameter of it."""
    defaults = {p.key: p.default for p in describe_law(law_path(design.firmware.law)).parameters}
    if START_DUTY not in defaults:
        return None
    return design.firmware.parameters.get(START_DUTY, defaults[START_DUTY])


def _motor_suspects(design: Design) -> list[Suspect]:
    """Supply, torques, coils and heat."""
    listed = [Suspect(Variant("supply", {"drive.supply_V": MORE_SUPPLY}), "a quarter more supply voltage")]
    if design.drive.battery_fade_V_per_As > 0.0:
        lasting = Variant("battery", {"drive.battery_fade_V_per_As": 0.0})
        listed.append(Suspect(lasting, "a battery that does not fade"))
    if design.drive.supply_steps:
        steady = Variant("dip", {"drive.supply_steps": []})
        listed.append(Suspect(steady, "a supply that keeps its voltage"))
    step_s = 10.0 / (design.motor.pole_pairs * max(design.command.profile[-1].speed_rpm, 1.0))
    if rise_s(design) > SLOW_RISE * step_s:
        softer = Variant("inductance", {"motor.phase_inductance_H": LESS_INDUCTANCE})
        listed.append(Suspect(softer, "half the inductance of the coils"))
    if friction := _halved(design):
        listed.append(Suspect(Variant("friction", friction), "half the friction and windage"))
    if load := _halved_load(design):
        listed.append(Suspect(Variant("load", load), "half the torque of the load"))
    if design.motor.cogging_Nm > 0.0:
        listed.append(Suspect(Variant("cogging", {"motor.cogging_Nm": 0.0}), "no cogging"))
    if design.thermal.is_modelled:
        listed.append(Suspect(Variant("heat", _COLD), "copper and magnets that stay at ambient temperature"))
    return listed


def rise_s(design: Design) -> float:
    """Time constant of the current in two phases and their switches, L/R [s]."""
    motor = design.motor
    return motor.phase_inductance_H / (motor.phase_resistance_ohm + design.drive.switch_on_resistance_ohm)


def _following(design: Design) -> Suspect:
    """The law that follows the rotor: in the arithmetic of the design, in WIDE where it refuses that one."""
    law = FOLLOWING_LAWS[design.hall.sensors]
    overrides: dict[str, Override] = {"firmware.law": law, "firmware.parameters": {}}
    wide = Variant("law", {**overrides, "firmware.arithmetic": WIDE})
    instead = Suspect(wide, f"the law {law} in {WIDE} ({FOLLOWING})")
    return Suspect(
        Variant("law", overrides),
        f"the law {law} ({FOLLOWING})",
        None if design.firmware.arithmetic == WIDE else instead,
    )


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


_COLD: dict[str, Override] = {f"thermal.{key}": None for key in THERMAL_MODEL}
"""Overrides of a motor that nothing warms."""
