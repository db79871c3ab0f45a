"""Closed-form speed limits of a design, shown beside the simulated speed.

With p pole pairs, six steps per electrical turn and step time T the speed is n = 10 / (p T) rpm.
"""

import math
from collections.abc import Callable

from sim.design import Design
from sim.plant.records import Record
from sim.run.assemble import Firmware
from sim.run.heat import continuous_A
from sim.run.loads import drag_Nm
from sim.run.plant_records import REFERENCE_C, plant_parameters
from sim.run.waveform import shape_table, terminal_factor

_RPM_PER_RAD_S = 30.0 / math.pi


def speed_of_step_time_rpm(pole_pairs: int, step_time_s: float) -> float:
    """n = 10 / (p T)."""
    return 10.0 / (pole_pairs * step_time_s) if step_time_s > 0.0 else math.inf


def latency_ceiling_rpm(pole_pairs: int, lag_s: float) -> float:
    """Speed at which a lag of every step is a quarter electrical period and all torque is gone: n = 15 / (p
    t)."""
    return 15.0 / (pole_pairs * lag_s) if lag_s > 0.0 else math.inf


def tick_step_rpm(pole_pairs: int, tick_s: float, speed_rpm: float) -> float:
    """What one timer tick of step time changes the speed by at `speed_rpm`: n^2 p tick / 10."""
    return speed_rpm**2 * pole_pairs * tick_s / 10.0


def tick_ceiling_rpm(pole_pairs: int, tick_s: float, part: float) -> float:
    """Speed at which one tick of step time is `part` of the speed: n = 10 part / (p tick)."""
    return 10.0 * part / (pole_pairs * tick_s)


def wrap_floor_rpm(pole_pairs: int, tick_s: float, timer_bits: int) -> float:
    """Slowest speed whose electrical period fits the timer: n = 60 / (p tick 2^bits)."""
    return 60.0 / (pole_pairs * tick_s * 2.0**timer_bits)


def no_load_rpm(design: Design) -> float:
    """Speed at which the back-EMF between the two conducting terminals equals the supply: V / (2 ke) for a
    star of trapezoids (`sim.run.waveform.terminal_factor` for the others)."""
    return design.drive.supply_V / _terminal_ke(design) * _RPM_PER_RAD_S


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
    return low * _RPM_PER_RAD_S


def _loop_ohm(p: Record) -> float:
    """Resistance that the current through two phases meets, a sagged battery's included."""
    phase_ohm = p["resistance_ohm"] * (1.0 + p["more_ohm_part"].mean())
    return float(2.0 * (phase_ohm + p["switch_ohm"]) + p["supply_ohm"] + p["sag_ohm"])


def stall_torque_Nm(design: Design) -> float:
    """Torque of a rotor at rest at full supply, mean over a step: 2 ke V / R of the loop."""
    p = plant_parameters(design)
    ke2 = terminal_factor(shape_table(design)) * p["ke_V_s_per_rad"]
    return float(ke2 * p["supply_V"] / _loop_ohm(p))


def torque_balance_rpm(design: Design) -> float:
    """Speed at which ideally timed six-step torque at full supply equals friction and load; bisection,
    inductance left out.

    Torque: 2 ke i with i = (V - 2 ke w) / (2 (R + R_switch) + R_supply), two phases on, a battery sagged.
    Of unequal coils R is the mean.
    """
    p = plant_parameters(design)
    ohm, ke2 = _loop_ohm(p), terminal_factor(shape_table(design)) * p["ke_V_s_per_rad"]

    def excess_Nm(omega: float) -> float:
        return float(ke2 * (p["supply_V"] - ke2 * omega) / ohm) - drag_Nm(p, omega)

    return _speed_below_rpm(excess_Nm, float(p["supply_V"] / ke2))


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
    high = no_load_rpm(design) / _RPM_PER_RAD_S
    if drag_Nm(p, high) < torque_Nm:
        return math.inf
    return _speed_below_rpm(lambda omega: torque_Nm - drag_Nm(p, omega), high)


def _handler_times_s(firmware: Firmware, cycles: dict[str, int]) -> tuple[float, float, float, float]:
    """Worst-case times of step, Hall and control handler and of the main loop [s], 0 for what the law has
    not."""
    names = ("on_step_timer", "on_hall_edge", "on_control_tick", "main_loop")
    step, hall, tick, main = (
        cycles.get(name, 0) * firmware.cycle_scale / firmware.clock_Hz for name in names
    )
    return step, hall, tick, main


def _wait_s(structure: str, hall_s: float, tick_s: float, main_s: float) -> float:
    """Longest time that other code keeps the step handler waiting, by `firmware.structure`.

    On one level: the longest other handler. In a polling loop with a body of its own: all that comes before
    the step's flag is tested again. Nested: nothing, but for what masks interrupts.
    """
    if structure == "nested":
        return 0.0
    if structure == "polled" and main_s > 0.0:
        return hall_s + tick_s + main_s
    return max(hall_s, tick_s)


def ceilings_rpm(design: Design, firmware: Firmware, cycles: dict[str, int]) -> dict[str, float]:
    """Closed-form ceilings by name [rpm]; infinite where nothing limits.

    supply: back-EMF equals the supply. torque: torque balance with friction and load. latency: a step that
    waits for other code (`_wait_s`) and for its own handler lags a quarter electrical period. processor: the
    handlers fill the whole time of an electrical turn. blocking: that wait and the step handler fill one step
    time, so that the next compare is missed. tick: one tick of step time moves the speed by the required
    tolerance. heat: friction and load take the torque that keeps the winding at its temperature limit.

    Args:
        cycles: worst-case CPU clocks of each handler, entry and exit included.
    """
    pairs = design.motor.pole_pairs
    step_s, hall_s, tick_s, main_s = _handler_times_s(firmware, cycles)
    blocked_s = _wait_s(design.firmware.structure, hall_s, tick_s, main_s) + step_s
    tick_load = tick_s / design.firmware.control_period_s
    turn_s = 6.0 * step_s + hall_s
    return {
        "supply": no_load_rpm(design),
        "torque": torque_balance_rpm(design),
        "latency": latency_ceiling_rpm(pairs, blocked_s),
        "processor": max(0.0, 1.0 - tick_load) * 60.0 / (pairs * turn_s) if turn_s > 0.0 else math.inf,
        "blocking": speed_of_step_time_rpm(pairs, blocked_s),
        "tick": tick_ceiling_rpm(pairs, firmware.tick_s, design.require.tolerance_percent / 100.0),
        "heat": heat_ceiling_rpm(design),
    }
