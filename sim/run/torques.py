"""Torque and speed of a motor in closed form: ideally timed steps, two phases on, inductance left out."""

import math
from collections.abc import Callable

from sim.design import Design
from sim.plant.records import Record
from sim.run.heat import continuous_A
from sim.run.loads import drag_Nm
from sim.run.plant_records import REFERENCE_C, plant_parameters
from sim.run.waveform import shape_table, terminal_factor

RPM_PER_RAD_S = 30.0 / math.pi


def no_load_rpm(design: Design) -> float:
    """Speed at which the back-EMF between the two conducting terminals equals the supply (after its last
    step): V / (2 ke) for a star of trapezoids (`sim.run.waveform.terminal_factor` for the others)."""
    return design.drive.last_supply_V / _terminal_ke(design) * RPM_PER_RAD_S


def _terminal_ke(design: Design) -> float:
    """Back-EMF between the conducting terminals per speed, mean over a step, at 20 C [V s/rad]."""
    return terminal_factor(shape_table(design)) * design.motor.ke_V_s_per_rad


def _speed_below_rpm(excess_Nm: Callable[[float], float], high_rad_s: float) -> float:
    """Speed up to which `excess_Nm` is positive, at most `high_rad_s`; bisection, 0 where it never is
    [rpm]."""
    low, high = 0.0, high_rad_s
    if excess_Nm(low) <= 0.0:
        return 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess_Nm(middle) > 0.0 else (low, middle)
    return low * RPM_PER_RAD_S


def _loop_ohm(p: Record) -> float:
    """Resistance that the current through two phases meets, a sagged battery's included."""
    phase_ohm = p["resistance_ohm"] * (1.0 + p["more_ohm_part"].mean())
    return float(2.0 * (phase_ohm + p["switch_ohm"]) + p["supply_ohm"] + p["sag_ohm"])


def stall_torque_Nm(design: Design) -> float:
    """Torque of a rotor at rest at full supply, mean over a step: 2 ke V / R of the loop."""
    p = plant_parameters(design)
    ke2 = terminal_factor(shape_table(design)) * p["ke_V_s_per_rad"]
    return float(ke2 * design.drive.last_supply_V / _loop_ohm(p))


def torque_balance_rpm(design: Design) -> float:
    """Speed at which ideally timed six-step torque at full supply equals friction and load; bisection,
    inductance left out.

    Torque: 2 ke i with i = (V - 2 ke w) / (2 (R + R_switch) + R_supply), two phases on, a battery sagged.
    Of unequal coils R is the mean.
    """
    p = plant_parameters(design)
    ohm, ke2 = _loop_ohm(p), terminal_factor(shape_table(design)) * p["ke_V_s_per_rad"]
    supply_V = design.drive.last_supply_V

    def excess_Nm(omega: float) -> float:
        return float(ke2 * (supply_V - ke2 * omega) / ohm) - drag_Nm(p, omega)

    return _speed_below_rpm(excess_Nm, float(supply_V / ke2))


def ideal_supply_W(design: Design, speed_rpm: float) -> float:
    """What the supply gives at a speed that is held with ideally timed steps and smooth current: T w + R i^2
    with i = T / (2 ke), T the torque of friction and load, R that of the loop; diodes and ripple left out."""
    p, omega = plant_parameters(design), speed_rpm / RPM_PER_RAD_S
    torque_Nm = drag_Nm(p, omega)
    current_A = torque_Nm / (terminal_factor(shape_table(design)) * p["ke_V_s_per_rad"])
    return float(torque_Nm * omega + _loop_ohm(p) * current_A**2)


def rest_torque_Nm(design: Design) -> float:
    """Torque that friction and load take of a rotor at rest: stiction in place of the friction of one that
    turns, detents left out."""
    p = plant_parameters(design)
    return drag_Nm(p, 0.0) + max(0.0, float(p["stiction_Nm"] - p["coulomb_Nm"]))


def continuous_torque_Nm(design: Design) -> float:
    """Torque that the winding can give for good: terminal ke times i at the current that keeps it at its
    limit; infinite where nothing warms up."""
    p: Record = plant_parameters(design)
    current_A, board_C = continuous_A(design)
    faded = 1.0 + design.thermal.magnet_per_K * (board_C - REFERENCE_C)
    return _terminal_ke(design) * faded * current_A if p["thermal_tick_s"] > 0.0 else math.inf


def heat_ceiling_rpm(design: Design) -> float:
    """Speed at which friction and load take the continuous torque; infinite where they never do below the
    no-load speed."""
    p, torque_Nm = plant_parameters(design), continuous_torque_Nm(design)
    high = no_load_rpm(design) / RPM_PER_RAD_S
    if drag_Nm(p, high) < torque_Nm:
        return math.inf
    return _speed_below_rpm(lambda omega: torque_Nm - drag_Nm(p, omega), high)
