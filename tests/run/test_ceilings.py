"""Closed forms that stand beside every verdict, against published or independently derived figures."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from sim.design import Design, apply_overrides, load_design
from sim.processor.records import TRACE_COLUMNS
from sim.run.ceilings import (
    latency_ceiling_rpm,
    speed_of_step_time_rpm,
    tick_ceiling_rpm,
    tick_step_rpm,
    wrap_floor_rpm,
)
from sim.run.simulate import simulate
from sim.run.torques import no_load_rpm, torque_balance_rpm


def trim_time_s(start_step_s: float, end_step_s: float, trim_s: float) -> float:
    """Time that shortening the step by `trim_s` once per electrical turn, six steps, takes (derived).

    dT/dt = -d / (6 T), hence t = 3 (T0^2 - T1^2) / d.
    """
    return 3.0 * (start_step_s**2 - end_step_s**2) / trim_s


@pytest.fixture(scope="module")
def blower() -> Design:
    return load_design("scenarios/air_sampler.toml")


def test_a_four_pole_rotor_makes_twelve_steps_a_turn() -> None:
    # Common practice, no source: one rising edge per half turn on a four-pole rotor, step time =
    # half turn / 6.
    step_time_s = 1e-3
    half_turn_s = 6.0 * step_time_s
    assert speed_of_step_time_rpm(2, step_time_s) == pytest.approx(60.0 / (2.0 * half_turn_s), rel=1e-15)
    assert speed_of_step_time_rpm(2, step_time_s) == pytest.approx(60.0 / (12.0 * step_time_s), rel=1e-15)


@pytest.mark.parametrize(("loops", "speed_rpm"), [(1, 13889), (2, 6944), (3, 4630)])
def test_a_polling_loop_makes_a_comb_of_speeds(loops: int, speed_rpm: int) -> None:
    # Common practice, no source: a loop of 0.36 ms, two pole pairs; step times are whole numbers of loops.
    assert round(speed_of_step_time_rpm(2, loops * 0.36e-3)) == speed_rpm


def test_the_latency_ceiling_is_a_lag_of_a_quarter_electrical_period() -> None:
    # Derived: torque goes with cos(electrical lag); 90 degrees leave none.
    lag_s, pairs = 125e-6, 4
    electrical_period_s = 60.0 / (pairs * latency_ceiling_rpm(pairs, lag_s))
    assert electrical_period_s / 4.0 == pytest.approx(lag_s, rel=1e-15)


@pytest.mark.parametrize("speed_rpm", [1000.0, 7462.0, 28000.0])
def test_one_tick_moves_the_speed_by_the_square_of_the_speed(speed_rpm: float) -> None:
    # Derived: the difference of 10 / (p T) between neighbouring counts; the closed form is its first term, so
    # the relative error is the tick over the step time.
    pairs, tick_s = 2, 1e-6
    step_time_s = 10.0 / (pairs * speed_rpm)
    exact = speed_of_step_time_rpm(pairs, step_time_s) - speed_of_step_time_rpm(pairs, step_time_s + tick_s)
    assert tick_step_rpm(pairs, tick_s, speed_rpm) == pytest.approx(exact, rel=1.01 * tick_s / step_time_s)


def test_the_tick_ceiling_is_where_a_tick_moves_the_speed_by_the_part_asked() -> None:
    ceiling = tick_ceiling_rpm(3, 2e-6, 0.02)
    assert tick_step_rpm(3, 2e-6, ceiling) == pytest.approx(0.02 * ceiling, rel=1e-12)


def test_the_slowest_measurable_speed_of_a_16_bit_capture() -> None:
    # Ohmae et al., IEEE Trans. IE-29(3), 1982, T method (from memory); worked: fc = 1 MHz, one pulse per
    # turn, 16 bits: 60e6 / 65536 = 915.5 rpm.
    assert wrap_floor_rpm(1, 1e-6, 16) == pytest.approx(915.5, abs=0.05)


def test_the_trim_time_is_the_sum_of_the_turns() -> None:
    # Derived: six steps of each length from T0 down to T1 in decrements d. The integral 3 (T0^2 - T1^2) / d
    # leaves out half a step at either end: 3 (T0 + T1).
    start_s, end_s, trim_s = 4e-3, 0.4e-3, 2e-6
    lengths = np.arange(round(start_s / trim_s), round(end_s / trim_s), -1) * trim_s
    assert 6.0 * lengths.sum() == pytest.approx(
        trim_time_s(start_s, end_s, trim_s), abs=3.0 * (start_s + end_s)
    )


@pytest.mark.parametrize("arithmetic", ["i32", "f32"])
def test_the_ramp_law_takes_the_trim_time(blower: Design, arithmetic: str) -> None:
    start_s, end_rpm, trim_s = 4e-3, 10000.0, 4e-6
    design = apply_overrides(
        blower,
        {
            "firmware.law": "open_ramp",
            "firmware.target": "m4f",
            "firmware.arithmetic": arithmetic,
            "firmware.prescaler": 64,
            "firmware.clock_Hz": 64e6,
            "firmware.parameters": {"start_step_s": start_s, "trim_s": trim_s},
            "command.speed_rpm": end_rpm,
            "command.duration_s": 14.0,
            "require.speed_rpm": end_rpm,
        },
    )
    trace = simulate(design).trace
    end_s = 10.0 / (design.motor.pole_pairs * end_rpm)
    step_s = trace[:, TRACE_COLUMNS.index("step_time_ticks")] * 1e-6
    reached = trace[np.flatnonzero(step_s <= end_s + 0.5e-6)[0], 0]
    # Tolerance: one trace row; the half turns at the ends that the integral leaves out; the interrupt
    # sets its next compare before it trims, so every length acts one step late, T0 - T1 in all; and the
    # first turn of the final length, which the trace shows when it has been made.
    slack_s = trace[1, 0] - trace[0, 0] + 3.0 * (start_s + end_s) + (start_s - end_s) + 6.0 * end_s
    assert reached == pytest.approx(trim_time_s(start_s, end_s, trim_s), abs=slack_s)


def test_no_load_speed_of_the_terminal_model(blower: Design) -> None:
    # Hanselman; Krishnan (from memory): two phases on, Ke_tt = 2 Ke_phase.
    assert no_load_rpm(blower) == pytest.approx(5.0 / (2.0 * 3.5e-4) * 30.0 / math.pi, rel=1e-12)


def test_the_torque_balance_is_the_root_of_an_independent_balance(blower: Design) -> None:
    def excess_W(omega: float) -> float:
        volts, ke, ohm = 5.0, 2.0 * 3.5e-4, 2.0 * (1.75 + 0.1)
        shaft_W = ke * omega * (volts - ke * omega) / ohm
        fan = 40e-6 * (omega / (10000.0 * math.pi / 30.0)) ** 2
        return shaft_W - omega * (5e-6 + 1e-9 * omega + 4.5e-12 * omega**2 + fan)

    root = brentq(excess_W, 100.0, 7000.0, xtol=1e-9)
    assert torque_balance_rpm(blower) == pytest.approx(root * 30.0 / math.pi, rel=1e-9)  # both are bisected
