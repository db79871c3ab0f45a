"""Supply and bridge in whole runs, under the firmware's PWM."""

import numpy as np
import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.run.metrics import column, measure
from sim.run.simulate import simulate
from sim.run.torques import torque_balance_rpm
from sim.studies.answer import answer
from sim.views.text import run_text


@pytest.fixture(scope="module")
def blower() -> Design:
    return apply_overrides(
        load_design("scenarios/air_sampler.toml"), {"firmware.law": "duty_pi", "firmware.target": "m4f"}
    )


@pytest.mark.parametrize("law", ["step_trim", "duty_pi"])
def test_the_comparator_limits_a_jammed_motor_in_every_period(blower: Design, law: str) -> None:
    # A duty of one has no PWM edges of its own: the trip must end with the period all the same.
    changes: dict[str, Override] = {
        "firmware.law": law, "drive.over_current_trip_A": 0.8, "load.rotor": "locked",
        "command.duration_s": 0.1, "require.within_s": 0.1,
    }  # fmt: skip
    metrics = measure(simulate(apply_overrides(blower, changes)))
    assert metrics.peak_phase_A == pytest.approx(0.8, rel=1e-9)
    # 20 kHz; while the start holds all off there is nothing to trip.
    assert 0.5 * 2000 < metrics.over_current_trips <= 2000
    assert metrics.energy_balance_error < 1e-3


def test_a_soft_supply_lowers_speed_and_torque_ceiling(blower: Design) -> None:
    fast: dict[str, Override] = {"command.speed_rpm": 60000.0}
    soft = {**fast, "drive.supply_resistance_ohm": 0.5, "drive.bulk_capacitance_F": 2e-4}
    stiff_run = measure(simulate(apply_overrides(blower, fast)))
    soft_result = answer(apply_overrides(blower, soft))
    metrics = soft_result.metrics
    assert metrics.settled_rpm < 0.97 * stiff_run.settled_rpm
    assert torque_balance_rpm(apply_overrides(blower, soft)) < torque_balance_rpm(blower)
    assert stiff_run.lowest_bridge_V == 5.0
    # At the start the motor is a resistance of 3.7 ohm behind 0.5 ohm.
    assert metrics.lowest_bridge_V == pytest.approx(5.0 * 3.7 / 4.2, rel=0.01)
    assert metrics.energy_balance_error < 1e-3
    assert f"{metrics.lowest_bridge_V:.2f} V at the bridge at the lowest" in run_text(soft_result)


def test_a_dip_shows_at_the_bridge_and_passes(blower: Design) -> None:
    """Stiff, so that the bridge sees the very voltage; while it lasts the rotor coasts, fed by nothing."""
    dip = [{"at_s": 1.0, "supply_percent": 20.0}, {"at_s": 1.2, "supply_percent": 100.0}]
    changes: dict[str, Override] = {
        "command.speed_rpm": 15000.0, "require.speed_rpm": 15000.0, "drive.supply_steps": dip,
    }  # fmt: skip
    result = answer(apply_overrides(blower, changes))
    bridge_V, t_s = column(result.recording, "bridge_V"), column(result.recording, "t_s")
    inside, outside = (t_s > 1.0) & (t_s < 1.2), (t_s < 1.0) | (t_s > 1.2 + 1e-6)  # a sample may be at 1.2
    assert np.all(bridge_V[inside] == pytest.approx(1.0, rel=1e-12))
    assert np.all(bridge_V[outside] == pytest.approx(5.0, rel=1e-12))
    speed = column(result.recording, "speed_rpm")
    assert speed[inside][-1] < 0.95 * speed[t_s < 1.0][-1]
    assert result.metrics.settled_rpm == pytest.approx(15000.0, rel=0.02)
    assert result.metrics.energy_balance_error < 1e-3
    assert "1.00 V at the bridge at the lowest, 5 V open" in run_text(result)


def test_a_supply_that_stays_low_is_what_holds_the_motor_back(blower: Design) -> None:
    low = {"drive.supply_steps": [{"at_s": 1.0, "supply_percent": 30.0}]}
    result = answer(apply_overrides(blower, low))
    assert result.ceilings_rpm["supply"] == pytest.approx(0.3 * answer(blower).ceilings_rpm["supply"])
    assert result.diagnosis.limited_by == "supply"
    text = " ".join(run_text(result).split())
    assert "With a supply that keeps its voltage it would settle at" in text
    assert "with 1.5 V after its last step the back-EMF alone ends at" in text
    assert "At the bridge it falls to 1.50 V." in text


def test_an_empty_battery_lets_the_motor_down(blower: Design) -> None:
    changes: dict[str, Override] = {
        "command.speed_rpm": 60000.0, "drive.supply_resistance_ohm": 0.2, "drive.battery_fade_V_per_As": 2.0,
        "drive.battery_sag_ohm": 0.5, "drive.battery_sag_time_s": 0.3,
    }  # fmt: skip
    recording = simulate(apply_overrides(blower, changes))
    metrics = measure(recording)
    assert metrics.settled_rpm < 0.97 * metrics.reached_rpm
    assert metrics.energy_balance_error < 1e-3


@pytest.mark.parametrize("mode", ["high_side", "low_side", "complementary"])
@pytest.mark.parametrize("dead_time_s", [0.0, 1e-6])
def test_every_way_to_chop_keeps_its_energy_and_reaches_the_speed(
    blower: Design, mode: str, dead_time_s: float
) -> None:
    changes: dict[str, Override] = {
        "drive.pwm_mode": mode, "drive.dead_time_s": dead_time_s, "command.speed_rpm": 15000.0,
        "require.speed_rpm": 15000.0,
    }  # fmt: skip
    metrics = measure(simulate(apply_overrides(blower, changes)))
    assert metrics.settled_rpm == pytest.approx(15000.0, rel=0.02)
    assert metrics.energy_balance_error < 1e-3
