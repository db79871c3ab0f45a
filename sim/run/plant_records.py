"""From a Design to the records of its plant."""

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers.ports import STEP_OFF
from sim.design import Design, Load, Motor
from sim.plant.disturbances import random_start
from sim.plant.emf import FIRST_KNOT_DEG
from sim.plant.hall import hall_places
from sim.plant.records import (
    LOAD_ROWS,
    PLANT,
    PLANT_STATE,
    SWITCHED_COMPLEMENTARY,
    SWITCHED_HIGH_SIDE,
    SWITCHED_LOW_SIDE,
    Record,
)
from sim.plant.thermal import two_nodes
from sim.processor.records import ASLEEP
from sim.run.fill import record
from sim.run.waveform import knots_of

COUPLING_PART = 0.05
"""Part of the shortest time constant that a segment may last: keeps the energy of random motors to 1e-3."""
REFERENCE_C = 20.0
"""Temperature at which a scenario gives resistance and back-EMF (IEC 60028 counts from 20 C, too)."""
THERMAL_TICKS = 500
"""Thermal ticks per run at least, and per thermal time constant of the winding alone 20: the powers of a
tick are means, and the temperatures predicted for its middle act in it."""

LOCKED_Nm = 1e9
"""Friction of a rotor that cannot turn."""
SEGMENTS_PER_COG = 24
"""Segments in a detent at least: the work of a detent then comes out to 1e-4
(tests/plant/test_cogging.py)."""

BUS_PART = 0.05
"""Part of the supply's time constants that a segment may last: the voltage at the bridge is held over it
(tests/plant/test_supply.py: 0.05 % of speed)."""

_PWM_MODES = {
    "high_side": SWITCHED_HIGH_SIDE,
    "complementary": SWITCHED_COMPLEMENTARY,
    "low_side": SWITCHED_LOW_SIDE,
}
RAD_S_PER_RPM = math.pi / 30.0


def star_alike(design: Design) -> float:
    """Resistance and inductance of the star that looks alike from the terminals, over those of a coil."""
    return 1.0 / 3.0 if design.motor.connection == "delta" else 1.0


def _at_ambient(design: Design) -> tuple[float, float]:
    """Resistance [ohm] and back-EMF constant [V s/rad] of a phase with all at ambient temperature."""
    motor, thermal = design.motor, design.thermal
    above_K = thermal.ambient_C - REFERENCE_C
    return (
        motor.phase_resistance_ohm * (1.0 + thermal.copper_per_K * above_K),
        motor.ke_V_s_per_rad * (1.0 + thermal.magnet_per_K * above_K),
    )


def more_ohm_parts(motor: Motor) -> tuple[float, float, float]:
    """How much more resistance each coil has than coil A, over that of coil A."""
    return (
        0.0,
        motor.resistance_imbalance_b_percent / 100.0,
        motor.resistance_imbalance_c_percent / 100.0,
    )


def more_H_parts(motor: Motor) -> tuple[float, float, float]:
    """How much more inductance each coil has than coil A, over that of coil A."""
    return (
        0.0,
        motor.inductance_imbalance_b_percent / 100.0,
        motor.inductance_imbalance_c_percent / 100.0,
    )


def _least_ohm(p: Record) -> float:
    """Resistance of a phase and its switch, of the coil that has the least."""
    return float(p["resistance_ohm"] * (1.0 + p["more_ohm_part"].min()) + p["switch_ohm"])


def _least_H(p: Record) -> float:
    """Inductance of a phase, of the coil that has the least."""
    return float(p["inductance_H"] * (1.0 + p["more_H_part"].min()))


def _coupling_s(p: Record) -> float:
    """Longest segment over which speed and current may be advanced one after the other.

    The speed reacts on the current within tau_m = R J / (2 ke^2), or, where the current is slower than that,
    within sqrt(tau_m tau_e); drag reacts within J over its slope at the no-load speed. Part of the shortest.
    """
    ohm, inertia, ke = _least_ohm(p), p["inertia_kg_m2"], p["ke_V_s_per_rad"]
    tau_m = ohm * inertia / (2.0 * ke**2)
    tau_e = _least_H(p) / ohm
    no_load_rad_s = (p["supply_V"] - min(0.0, p["supply_drop_V"].min())) / (2.0 * ke)
    slope = p["viscous_Nm_s_per_rad"] + p["eddy_Nm_s_per_rad"]
    slope += 2.0 * (p["windage_Nm_s2_per_rad2"] + p["fan_Nm_s2_per_rad2"]) * no_load_rad_s
    if p["table_rows"] > 1:
        rises = np.diff(p["table_Nm"][: p["table_rows"]]) / np.diff(p["table_rad_s"][: p["table_rows"]])
        slope += np.abs(rises).max()
    tau_drag = inertia / slope if slope > 0.0 else math.inf
    return float(COUPLING_PART * min(max(tau_m, math.sqrt(tau_m * tau_e)), tau_drag))


def _bus_s(p: Record) -> float:
    """Longest segment over which the voltage at the bridge may be held: part of R C, and of sqrt(L C) with
    two phases in series; infinite for a stiff supply."""
    if p["supply_ohm"] == 0.0:
        return math.inf
    swing_s = math.sqrt(2.0 * _least_H(p) * p["bulk_F"])
    return float(BUS_PART * min(p["supply_ohm"] * p["bulk_F"], swing_s))


def _motor_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for winding, magnets and friction."""
    motor, star = design.motor, star_alike(design)
    ohm, ke = _at_ambient(design)
    more_ohm, more_H = more_ohm_parts(motor), more_H_parts(motor)
    return {
        "delta": motor.connection == "delta",
        "pole_pairs": motor.pole_pairs,
        "resistance_ohm": ohm * star,
        "inductance_H": motor.phase_inductance_H * star,
        "unequal": any(more_ohm + more_H),
        "more_ohm_part": more_ohm,
        "more_H_part": more_H,
        "ke_V_s_per_rad": ke,
        "coulomb_Nm": motor.coulomb_Nm,
        "stiction_Nm": motor.stiction_Nm,
        "viscous_Nm_s_per_rad": motor.viscous_Nm_s_per_rad,
        "windage_Nm_s2_per_rad2": motor.windage_Nm_s2_per_rad2,
        "magnetic_drag_Nm": motor.magnetic_drag_Nm,
        "eddy_Nm_s_per_rad": motor.eddy_drag_Nm_s_per_rad,
        "cogging_Nm": motor.cogging_Nm,
        "cogs_per_turn": motor.cogging_periods_per_turn,
        "detent_rad": math.radians(motor.cogging_phase_deg - FIRST_KNOT_DEG),
    }


def _drive_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for supply and bridge."""
    drive = design.drive
    drops_V = [drive.supply_V * (1.0 - step.supply_percent / 100.0) for step in drive.supply_steps]
    return {
        "switch_ohm": drive.switch_on_resistance_ohm,
        "supply_V": drive.supply_V,
        "supply_steps": len(drops_V),
        "supply_step_s": _rows(step.at_s for step in drive.supply_steps),
        "supply_drop_V": _rows(drops_V),
        "diode_V": drive.diode_drop_V,
        "pwm_mode": _PWM_MODES[drive.pwm_mode],
        "dead_s": drive.dead_time_s,
        "trip_A": drive.over_current_trip_A or 0.0,
        "supply_ohm": drive.supply_resistance_ohm,
        "bulk_F": drive.bulk_capacitance_F,
        "sag_ohm": drive.battery_sag_ohm,
        "sag_s": drive.battery_sag_time_s if drive.battery_sag_ohm > 0.0 else 0.0,
        "fade_V_per_As": drive.battery_fade_V_per_As,
    }


def propeller_Nm_s2_per_rad2(diameter_m: float, power_coefficient: float, air_kg_per_m3: float) -> float:
    """Torque over speed squared of a propeller in still air.

    C_P = P / (rho n^3 D^5), n in turns per second (Brandt, Deters, Ananda, Dantsker, Selig, UIUC Propeller
    Database); torque = P / (2 pi n), so k = C_P rho D^5 / (2 pi)^3.
    """
    return power_coefficient * air_kg_per_m3 * diameter_m**5 / (2.0 * math.pi) ** 3


def _square_law_Nm_s2_per_rad2(load: Load) -> float:
    """Fan and propeller together."""
    square = 0.0
    if load.fan_torque_Nm is not None and load.fan_speed_rpm is not None:
        square += load.fan_torque_Nm / (load.fan_speed_rpm * RAD_S_PER_RPM) ** 2
    if load.propeller_diameter_m is not None and load.propeller_power_coefficient is not None:
        square += propeller_Nm_s2_per_rad2(
            load.propeller_diameter_m, load.propeller_power_coefficient, load.air_density_kg_per_m3
        )
    return square


def _rows(values: Iterable[float]) -> NDArray[np.float64]:
    """A column of a record's table, zeros after the last value."""
    column = np.zeros(LOAD_ROWS)
    listed = list(values)
    column[: len(listed)] = listed
    return column


def _load_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for what sits on the shaft."""
    load = design.load
    steps = [(step.at_s, step.torque_Nm) for step in load.torque_steps]
    if load.constant_torque_Nm > 0.0 and (not steps or steps[0][0] > 0.0):
        steps.insert(0, (0.0, load.constant_torque_Nm))
    table = load.torque_table
    return {
        "inertia_kg_m2": design.motor.inertia_kg_m2 + load.added_inertia_kg_m2,
        "fan_Nm_s2_per_rad2": _square_law_Nm_s2_per_rad2(load),
        "load_steps": len(steps),
        "load_step_s": _rows(at_s for at_s, _ in steps),
        "load_step_Nm": _rows(torque_Nm for _, torque_Nm in steps),
        "table_rows": len(table),
        "table_rad_s": _rows(point.speed_rpm * RAD_S_PER_RPM for point in table),
        "table_Nm": _rows(point.torque_Nm for point in table),
        **(dict.fromkeys(("coulomb_Nm", "stiction_Nm"), LOCKED_Nm) if load.rotor == "locked" else {}),
    }


def _longest_segment_rad(design: Design) -> float:
    """Longest segment in electrical angle: as asked, and short against a detent."""
    motor, longest = design.motor, math.radians(design.numerics.max_segment_deg)
    if motor.cogging_Nm == 0.0:
        return longest
    cog_rad = 2.0 * math.pi * motor.pole_pairs / motor.cogging_periods_per_turn
    return min(longest, cog_rad / SEGMENTS_PER_COG)


def _thermal_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for the two temperatures; none where nothing warms up."""
    thermal, motor = design.thermal, design.motor
    across, out = thermal.winding_to_board_K_per_W, thermal.board_to_ambient_K_per_W
    winding, board = thermal.winding_J_per_K, thermal.board_J_per_K
    if across is None or out is None or winding is None or board is None:
        return {}
    tick_s = min(design.command.duration_s / THERMAL_TICKS, across * winding / 20.0)
    hold, gain = two_nodes(across, out, winding, board, tick_s)
    return {
        "thermal_tick_s": tick_s,
        "thermal_hold": hold,
        "thermal_gain_K_per_W": gain,
        "ohm_per_K": star_alike(design) * motor.phase_resistance_ohm * thermal.copper_per_K,
        "ke_per_K": motor.ke_V_s_per_rad * thermal.magnet_per_K,
    }


def _hall_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for the sensor."""
    hall = design.hall
    knot, u_rad = hall_places(
        hall.placement_error_deg,
        hall.hysteresis_deg,
        knots_of(design),
        hall.pole_width_error_deg,
        (hall.second_error_deg, hall.third_error_deg),
    )
    return {
        "sensors": hall.sensors,
        "hall_both": hall.edges == "both",
        "hall_knot": knot,
        "hall_u_rad": u_rad,
        "hall_delay_s": hall.delay_s,
        "hall_jitter_s": hall.jitter_s,
        "glitches_per_s": hall.glitches_per_s,
        "glitch_s": hall.glitch_time_s,
    }


def plant_parameters(design: Design) -> Record:
    """PLANT record of a design."""
    p = record(
        PLANT,
        {
            **_motor_values(design),
            **_drive_values(design),
            **_load_values(design),
            **_thermal_values(design),
            **_hall_values(design),
            "knots": knots_of(design),
            "cell_rad": 2.0 * math.pi / knots_of(design),
            "max_segment_rad": _longest_segment_rad(design),
            "ambient_C": design.thermal.ambient_C,
            "window_from_s": math.inf,
        },
    )
    p["max_segment_s"] = min(design.numerics.max_segment_s, _coupling_s(p), _bus_s(p))
    return p


def plant_state(p: Record, start_angle_deg: float, seed: int) -> Record:
    """PLANT_STATE record of a rotor at rest at an electrical angle, all switches off."""
    phi = math.radians(start_angle_deg - FIRST_KNOT_DEG) % (2.0 * math.pi)
    knot = int(phi / p["cell_rad"]) % int(p["knots"])
    start = {
        "knot": knot,
        "u_rad": phi - knot * p["cell_rad"],
        "random": random_start(seed),
        "step": STEP_OFF,
        "unsettled": 1,
        "busy": ASLEEP,
    }
    return record(PLANT_STATE, start)
