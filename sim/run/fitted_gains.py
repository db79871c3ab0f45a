"""Gains of a PI controller of the duty that fit the motor, for laws whose scenario gives none.

The motor at the commanded speed, linearised: the duty sets a torque, at most that of standstill, T; back-EMF,
friction and load oppose it by the slope S = T / (no-load speed) + dM/dw; with the inertia J the speed follows
with the time constant J / S. The zero of the controller cancels that pole, and what remains is an integrator
with the delay t of measuring. Its bandwidth w = 1 / (4 t) gives the damping 1 / (2 sqrt(w t)) = 1, without
overshoot; the modulus optimum takes w = 1 / (2 t) (Kessler 1958, from memory).

    kp = w J / T, ki = w S / T, both less where a small deviation would take the whole duty

The speed is known after an electrical turn and waits half a control period for its use on average:
t = turn + period / 2.
"""

import math

from sim.design import Design
from sim.run.loads import drag_Nm
from sim.run.plant_records import plant_parameters
from sim.run.torques import RPM_PER_RAD_S, no_load_rpm, stall_torque_Nm

BANDWIDTH = 1.0 / 4.0
"""Of the loop, as a part of 1 / delay."""
NEAR = 0.1
"""The slope of the load is taken over this part of the speed, below it."""
LEAST_RPM_PART = 0.01
"""A deviation by this part of the speed may take the whole duty, a smaller one not: beyond that the ticks of
the timer decide, and a motor that weak or heavy is at full duty anyway."""
DIGITS = 2
"""More than the linearised motor is worth would only look exact."""


def fitted_gains(design: Design) -> dict[str, float]:
    """Proportional and integral gain [duty/rpm, duty/(rpm s)] by the keys of their parameters."""
    p, stall_Nm = plant_parameters(design), stall_torque_Nm(design)
    fastest_rpm = max(*(step.speed_rpm for step in design.command.profile), design.require.speed_rpm)
    turn_s = 60.0 / (design.motor.pole_pairs * fastest_rpm)
    bandwidth = BANDWIDTH / (turn_s + 0.5 * design.firmware.control_period_s)
    speed = fastest_rpm / RPM_PER_RAD_S
    load_slope = (drag_Nm(p, speed) - drag_Nm(p, (1.0 - NEAR) * speed)) / (NEAR * speed)
    slope = stall_Nm / (no_load_rpm(design) / RPM_PER_RAD_S) + max(0.0, load_slope)
    kp = bandwidth * float(p["inertia_kg_m2"]) / (stall_Nm * RPM_PER_RAD_S)
    ki = bandwidth * slope / (stall_Nm * RPM_PER_RAD_S)
    most = 1.0 / (LEAST_RPM_PART * fastest_rpm)
    part = min(1.0, most / kp, most / (ki * design.firmware.control_period_s))
    return {"kp_duty_per_rpm": _rounded(part * kp), "ki_duty_per_rpm_s": _rounded(part * ki)}


def _rounded(value: float) -> float:
    return round(value, DIGITS - 1 - math.floor(math.log10(value)))
