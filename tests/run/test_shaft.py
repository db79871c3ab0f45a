"""What sits on the shaft, from the scenario to the settled speed."""

import math

import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.run.metrics import measure
from sim.run.plant_records import plant_parameters, propeller_Nm_s2_per_rad2
from sim.run.simulate import simulate
from sim.run.torques import torque_balance_rpm
from sim.studies.suspects import suspects


@pytest.fixture(scope="module")
def blower() -> Design:
    """With the law that holds commutation to the rotor, so that the torque balance decides the speed."""
    changes: dict[str, Override] = {
        "firmware.law": "duty_pi", "firmware.target": "m4f", "command.speed_rpm": 60000.0,
        "motor.phase_inductance_H": 1e-7,
    }  # fmt: skip
    return apply_overrides(load_design("scenarios/air_sampler.toml"), changes)


def test_a_propeller_takes_the_power_that_defines_its_coefficient() -> None:
    # C_P = P / (rho n^3 D^5), UIUC Propeller Database (Brandt, Deters, Ananda, Dantsker, Selig), definitions
    # page. A 0.1 m propeller with C_P = 0.05 at 100 turns per second in 1.225 kg/m3: 1.225 x 1e6 x 1e-5 x
    # 0.05 W.
    k = propeller_Nm_s2_per_rad2(0.1, 0.05, 1.225)
    omega = 100.0 * 2.0 * math.pi
    assert k * omega**3 == pytest.approx(0.6125, rel=1e-12)


# Static points of the DA4002, 9 in (UIUC Propeller Database, vol. 2, as arrays in a public validation
# script): rpm, C_P, and the torque that they come to at 1.225 kg/m3 (worked by hand for the reference list).
DA4002 = [(1546.7, 0.088432, 0.00715), (5943.3, 0.080081, 0.09564)]


@pytest.mark.parametrize(("speed_rpm", "power_coefficient", "torque_Nm"), DA4002)
def test_a_measured_propeller_takes_its_measured_torque(
    speed_rpm: float, power_coefficient: float, torque_Nm: float
) -> None:
    k = propeller_Nm_s2_per_rad2(0.2286, power_coefficient, 1.225)
    # Printed to three and four figures.
    assert k * (speed_rpm * math.pi / 30.0) ** 2 == pytest.approx(torque_Nm, rel=1e-3)


def test_one_coefficient_serves_over_the_whole_range_of_a_propeller() -> None:
    # The measured C_P spread from 0.0780 to 0.0888, mean 0.0830 over 19 points: the square law is off by 7 %
    # at most.
    mean = propeller_Nm_s2_per_rad2(0.2286, 0.0830, 1.225)
    for speed_rpm, _, torque_Nm in DA4002:
        assert mean * (speed_rpm * math.pi / 30.0) ** 2 == pytest.approx(torque_Nm, rel=0.07)


def test_propellers_follow_the_fan_laws() -> None:
    # Fan laws (common practice): torque ~ rho n^2 D^5.
    base = propeller_Nm_s2_per_rad2(0.1, 0.05, 1.2)
    assert propeller_Nm_s2_per_rad2(0.2, 0.05, 1.2) == pytest.approx(32.0 * base, rel=1e-12)
    assert propeller_Nm_s2_per_rad2(0.1, 0.05, 0.6) == pytest.approx(0.5 * base, rel=1e-12)


LOADS: dict[str, dict[str, Override]] = {
    "propeller": {
        "load.fan_torque_Nm": None, "load.fan_speed_rpm": None,
        "load.propeller_diameter_m": 0.03, "load.propeller_power_coefficient": 0.1,
    },
    "brake": {"load.constant_torque_Nm": 1e-4},
    "table": {
        "load.torque_table": [
            {"speed_rpm": 0.0, "torque_Nm": 0.0}, {"speed_rpm": 30000.0, "torque_Nm": 2e-4}
        ],
    },
    "iron": {"motor.magnetic_drag_Nm": 5e-5, "motor.eddy_drag_Nm_s_per_rad": 3e-8},
}  # fmt: skip


@pytest.mark.parametrize("name", LOADS)
def test_every_load_settles_near_its_torque_balance(blower: Design, name: str) -> None:
    design = apply_overrides(blower, LOADS[name])
    plain, metrics = torque_balance_rpm(blower), measure(simulate(design))
    balance = torque_balance_rpm(design)
    assert abs(balance / plain - 1.0) > 0.05
    # The balance leaves out sensor hysteresis and latency, which advance and delay the steps by some degrees.
    assert metrics.settled_rpm == pytest.approx(balance, rel=0.03)
    assert metrics.energy_balance_error < 1e-3


def test_a_brake_that_grips_later_slows_the_motor_from_then_on(blower: Design) -> None:
    design = apply_overrides(blower, {"load.torque_steps": [{"at_s": 1.5, "torque_Nm": 6e-4}]})
    trace = simulate(design).trace
    before = trace[(trace[:, 0] > 1.4) & (trace[:, 0] < 1.49), 1].mean()
    assert trace[-50:, 1].mean() < 0.9 * before
    assert torque_balance_rpm(design) < 0.9 * torque_balance_rpm(blower)


def test_a_locked_rotor_draws_the_current_of_its_resistance(blower: Design) -> None:
    metrics = measure(simulate(apply_overrides(blower, {"load.rotor": "locked"})))
    assert metrics.reached_rpm == 0.0
    # duty_pi starts at full duty: 5 V over two phases and two switches.
    assert metrics.peak_phase_A == pytest.approx(5.0 / (2.0 * (1.75 + 0.1)), rel=1e-6)
    assert torque_balance_rpm(apply_overrides(blower, {"load.rotor": "locked"})) == 0.0


@pytest.mark.parametrize("name", LOADS)
def test_halving_a_load_is_on_the_list_of_suspects(blower: Design, name: str) -> None:
    design = apply_overrides(blower, LOADS[name])
    suspect = "friction" if name == "iron" else "load"
    halved = next(s for s in suspects(design) if s.variant.name == suspect)
    half = plant_parameters(apply_overrides(design, halved.variant.overrides))
    whole = plant_parameters(design)
    for field in ("fan_Nm_s2_per_rad2", "load_step_Nm", "table_Nm", "magnetic_drag_Nm", "eddy_Nm_s_per_rad"):
        if (field in ("magnetic_drag_Nm", "eddy_Nm_s_per_rad")) == (name == "iron"):
            assert half[field] == pytest.approx(0.5 * whole[field], rel=1e-12)
