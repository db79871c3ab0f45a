"""Gains of a PI controller of the duty that fit the motor, for laws whose scenario gives none.

The motor at the commanded speed, linearised: the duty sets a torque, at most that of standstill, T; back-EMF,
friction and load oppose it by the slope S = T / (no-load speed) + dM/dw (a load that falls with speed counts
as level). With the inertia J the speed follows with the time constant J / S; what is measured of it comes the
delay t later. For that Skogestad's rules (J. Process Control 13 (2003) 291; from memory) give, with a closed
loop as fast as 1 / w = 4 t, delay included:

    kp = w J / T,    ki = kp / min(J / S, 4 / w)

A slower integral would leave the error that a load makes to die away with the motor's own J / S, seconds
often; a faster loop overshoots. w is less where a small deviation would otherwise take the whole duty.

The speed is known after an electrical turn and waits half a control period for its use on average:
t = turn + period / 2, at the slowest speed commanded, where it is longest. (Three sensors measure more often;
their loop could be faster.) Inductance is left out, the supply's resistance is taken as at standstill.
"""

import math

from sim.design import Design
from sim.run.loads import drag_Nm
from sim.run.plant_records import plant_parameters
from sim.run.torques import RPM_PER_RAD_S, no_load_rpm, stall_torque_Nm

DELAYS = 4.0
"""Time constant of the closed loop, delay included, in delays."""
LONGEST_INTEGRAL = 4.0
"""Integral time in time constants of the closed loop, where the motor's own is longer."""
NEAR = 0.1
"""The slope of the load is that of the last tenth below the fastest commanded speed."""
LEAST_RPM_PART = 0.01
"""A deviation by this part of the speed may take the whole duty, a smaller one not: beyond that the ticks of
the timer decide, and a motor that weak or heavy is at full duty anyway."""
DIGITS = 2
"""More than the linearised motor is worth would only look exact."""


def fitted_gains(design: Design) -> dict[str, float]:
    """Proportional and integral gain [duty/rpm, duty/(rpm s)] by the keys of their parameters.

    Raises:
        InputError: the file of the back-EMF cannot be read.
    """
    p, stall_Nm = plant_parameters(design), stall_torque_Nm(design)
    commanded = [step.speed_rpm for step in design.command.profile if step.speed_rpm > 0.0]
    slowest_rpm, fastest_rpm = min(commanded), max(commanded)
    period_s, most = design.firmware.control_period_s, 1.0 / (LEAST_RPM_PART * fastest_rpm)
    delay_s = 60.0 / (design.motor.pole_pairs * slowest_rpm) + 0.5 * period_s
    speed = fastest_rpm / RPM_PER_RAD_S
    load_slope = (drag_Nm(p, speed) - drag_Nm(p, (1.0 - NEAR) * speed)) / (NEAR * speed)
    slope = stall_Nm / (no_load_rpm(design) / RPM_PER_RAD_S) + max(0.0, load_slope)
    inertia, torque_per_rpm = float(p["inertia_kg_m2"]), stall_Nm * RPM_PER_RAD_S
    kp = min(inertia / (DELAYS * delay_s) / torque_per_rpm, most)
    integral_s = min(inertia / slope, LONGEST_INTEGRAL * inertia / (kp * torque_per_rpm))
    return {
        "kp_duty_per_rpm": _rounded(kp),
        "ki_duty_per_rpm_s": _rounded(min(kp / integral_s, most / period_s)),
    }


def _rounded(value: float) -> float:
    return round(value, DIGITS - 1 - math.floor(math.log10(value)))
