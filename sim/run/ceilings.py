"""Closed-form speed limits of a design, shown beside the simulated speed.

With p pole pairs, six steps per electrical turn and step time T the speed is n = 10 / (p T) rpm.
"""

import math

from sim.design import Design
from sim.run.assemble import Firmware
from sim.run.torques import heat_ceiling_rpm, no_load_rpm, torque_balance_rpm


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
