"""From a Design to the records of its plant."""

import math
from typing import Any

from controllers.ports import STEP_OFF
from sim.design import Design
from sim.plant.emf import FIRST_KNOT_DEG
from sim.plant.hall import hall_places
from sim.plant.records import (
    PLANT,
    PLANT_STATE,
    SWITCHED_COMPLEMENTARY,
    SWITCHED_HIGH_SIDE,
    Record,
)
from sim.plant.thermal import two_nodes
from sim.processor.records import ASLEEP
from sim.run.fill import record

TRAPEZOID_KNOTS = 6
COUPLING_PART = 0.05
"""Part of the shortest time constant that a segment may last: keeps the energy of random motors to 1e-3."""
REFERENCE_C = 20.0
"""Temperature at which a scenario gives resistance and back-EMF (IEC 60028 counts from 20 C, too)."""
THERMAL_TICKS = 500
"""Thermal ticks per run at least, and per thermal time constant of the winding alone 20: the powers of a
tick are means, and the temperatures of its start act in it."""

_PWM_MODES = {"high_side": SWITCHED_HIGH_SIDE, "complementary": SWITCHED_COMPLEMENTARY}
_RAD_S_PER_RPM = math.pi / 30.0


def _at_ambient(design: Design) -> tuple[float, float]:
    """Resistance [ohm] and back-EMF constant [V s/rad] of a phase with all at ambient temperature."""
    motor, thermal = design.motor, design.thermal
    above_K = thermal.ambient_C - REFERENCE_C
    return (
        motor.phase_resistance_ohm * (1.0 + thermal.copper_per_K * above_K),
        motor.ke_V_s_per_rad * (1.0 + thermal.magnet_per_K * above_K),
    )


def _coupling_s(p: Record) -> float:
    """Longest segment over which speed and current may be advanced one after the other.

    The speed reacts on the current within tau_m = R J / (2 ke^2), or, where the current is slower than that,
    within sqrt(tau_m tau_e); drag reacts within J over its slope at the no-load speed. Part of the shortest.
    """
    ohm, inertia, ke = p["resistance_ohm"] + p["switch_ohm"], p["inertia_kg_m2"], p["ke_V_s_per_rad"]
    tau_m = ohm * inertia / (2.0 * ke**2)
    tau_e = p["inductance_H"] / ohm
    no_load_rad_s = p["supply_V"] / (2.0 * ke)
    slope = p["viscous_Nm_s_per_rad"]
    slope += 2.0 * (p["windage_Nm_s2_per_rad2"] + p["fan_Nm_s2_per_rad2"]) * no_load_rad_s
    tau_drag = inertia / slope if slope > 0.0 else math.inf
    return float(COUPLING_PART * min(max(tau_m, math.sqrt(tau_m * tau_e)), tau_drag))


def _motor_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for winding, magnets and friction."""
    motor = design.motor
    ohm, ke = _at_ambient(design)
    return {
        "pole_pairs": motor.pole_pairs,
        "resistance_ohm": ohm,
        "inductance_H": motor.phase_inductance_H,
        "ke_V_s_per_rad": ke,
        "coulomb_Nm": motor.coulomb_Nm,
        "stiction_Nm": motor.stiction_Nm,
        "viscous_Nm_s_per_rad": motor.viscous_Nm_s_per_rad,
        "windage_Nm_s2_per_rad2": motor.windage_Nm_s2_per_rad2,
    }


def _drive_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for supply and bridge."""
    drive = design.drive
    return {
        "switch_ohm": drive.switch_on_resistance_ohm,
        "supply_V": drive.supply_V,
        "diode_V": drive.diode_drop_V,
        "pwm_mode": _PWM_MODES[drive.pwm_mode],
    }


def _load_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for what sits on the shaft."""
    load = design.load
    fan = 0.0
    if load.fan_torque_Nm is not None and load.fan_speed_rpm is not None:
        fan = load.fan_torque_Nm / (load.fan_speed_rpm * _RAD_S_PER_RPM) ** 2
    return {
        "inertia_kg_m2": design.motor.inertia_kg_m2 + load.added_inertia_kg_m2,
        "fan_Nm_s2_per_rad2": fan,
    }


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
        "ohm_per_K": motor.phase_resistance_ohm * thermal.copper_per_K,
        "ke_per_K": motor.ke_V_s_per_rad * thermal.magnet_per_K,
    }


def _hall_values(design: Design) -> dict[str, Any]:
    """Fields of PLANT for the sensor."""
    hall = design.hall
    knot, u_rad = hall_places(hall.placement_error_deg, hall.hysteresis_deg, TRAPEZOID_KNOTS)
    return {"hall_knot": knot, "hall_u_rad": u_rad}


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
            "knots": TRAPEZOID_KNOTS,
            "cell_rad": 2.0 * math.pi / TRAPEZOID_KNOTS,
            "max_segment_rad": math.radians(design.numerics.max_segment_deg),
            "ambient_C": design.thermal.ambient_C,
            "window_from_s": math.inf,
        },
    )
    p["max_segment_s"] = min(design.numerics.max_segment_s, _coupling_s(p))
    return p


def plant_state(p: Record, start_angle_deg: float) -> Record:
    """PLANT_STATE record of a rotor at rest at an electrical angle, all switches off."""
    phi = math.radians(start_angle_deg - FIRST_KNOT_DEG) % (2.0 * math.pi)
    knot = int(phi / p["cell_rad"]) % int(p["knots"])
    start = {
        "knot": knot,
        "u_rad": phi - knot * p["cell_rad"],
        "step": STEP_OFF,
        "unsettled": 1,
        "busy": ASLEEP,
    }
    return record(PLANT_STATE, start)
