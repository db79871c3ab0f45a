"""Speed of the plant alone, commutated by its rotor: `pytest -m benchmark -s` prints it.

The ratio to a general-purpose solver and the whole loop with firmware: test_speed.py.
"""

import math
import time

import pytest

from tests.plant.harness import BOARD_MOTOR, FRICTION, IDEAL, RAD_S_PER_RPM, Drive, plant, run, state

pytestmark = pytest.mark.benchmark

END_S = 0.5
REPEATS = 20
FAN = FRICTION["fan_Nm_s2_per_rad2"]
PATH_OHM = 2.0 * (BOARD_MOTOR["resistance_ohm"] + BOARD_MOTOR["switch_ohm"])


def supply_for_V(rpm: float) -> float:
    """The supply at which the fan alone settles at a speed: U = R T / Ke_tt + Ke_tt w."""
    omega, ke_tt = rpm * RAD_S_PER_RPM, 2.0 * BOARD_MOTOR["ke_V_s_per_rad"]
    return PATH_OHM * FAN * omega**2 / ke_tt + ke_tt * omega


def speed(rpm: float, drive: Drive) -> tuple[float, float]:
    """Simulated seconds per second of processor time, and seconds per segment; the best of some runs."""
    motor = {**BOARD_MOTOR, "fan_Nm_s2_per_rad2": FAN, "supply_V": supply_for_V(rpm) / drive.duty}
    p = plant(max_segment_deg=20.0, **motor)
    least_s, segments, reached_rpm = math.inf, 0, 0.0
    for _ in range(REPEATS):
        s = state(20.0, omega_rad_s=rpm * RAD_S_PER_RPM)
        start_s = time.process_time()  # not the time that other processes take
        samples = run(p, s, drive, END_S)
        least_s = min(least_s, time.process_time() - start_s)
        segments, reached_rpm = int(s["segments"]), float(samples[0, 1]) / RAD_S_PER_RPM
    ratio, segment_s = END_S / least_s, least_s / segments
    print(
        f"\nplant at {reached_rpm:.0f} rpm: {ratio:.0f} times real time, {segment_s * 1e9:.0f} ns a segment"
    )
    # It runs at the speed it is named after: freewheel and chopping cost some torque, a tenth at most.
    assert reached_rpm == pytest.approx(rpm, rel=0.1)
    return ratio, segment_s


@pytest.mark.parametrize("rpm", [10000.0, 20000.0])
def test_at_full_voltage_the_plant_outruns_time_a_hundredfold(rpm: float) -> None:
    # The contract of the whole loop at 20,000 rpm; the plant alone must leave room for the firmware.
    assert speed(rpm, IDEAL)[0] >= 100.0


@pytest.mark.parametrize("rpm", [10000.0, 20000.0])
def test_a_chopped_segment_costs_at_most_twice_a_plain_one(rpm: float) -> None:
    # A PWM edge settles the diodes, and most off times end in an extinction: a root and a second solution.
    chopped = speed(rpm, Drive(pwm_s=50e-6, duty=0.9))[1]
    assert chopped <= 2.0 * speed(rpm, IDEAL)[1]
