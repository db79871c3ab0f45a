"""Delta, waveforms and imbalance in whole runs."""

from collections.abc import Mapping

import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.run.metrics import measure
from sim.run.plant_records import plant_parameters
from sim.run.simulate import simulate
from sim.run.torques import no_load_rpm, torque_balance_rpm


@pytest.fixture(scope="module")
def blower() -> Design:
    changes: dict[str, Override] = {
        "firmware.law": "duty_pi", "firmware.target": "m4f", "command.speed_rpm": 60000.0,
        "motor.phase_inductance_H": 1e-6,
    }  # fmt: skip
    return apply_overrides(load_design("scenarios/air_sampler.toml"), changes)


@pytest.mark.parametrize("connection", ["wye", "delta"])
@pytest.mark.parametrize("back_emf", ["trapezoid", "sine"])
def test_every_winding_settles_near_its_torque_balance(
    blower: Design, connection: str, back_emf: str
) -> None:
    design = apply_overrides(blower, {"motor.connection": connection, "motor.back_emf": back_emf})
    metrics = measure(simulate(design))
    assert metrics.energy_balance_error < 1e-3
    # The balance takes the back-EMF at its mean over a step and leaves out the hysteresis of the sensor.
    assert metrics.settled_rpm == pytest.approx(torque_balance_rpm(design), rel=0.04)


def test_a_delta_of_the_same_coils_goes_faster_and_draws_more(blower: Design) -> None:
    sines = apply_overrides(blower, {"motor.back_emf": "sine"})
    delta = apply_overrides(sines, {"motor.connection": "delta"})
    assert no_load_rpm(delta) == pytest.approx(3.0**0.5 * no_load_rpm(sines), rel=1e-9)
    star_run, delta_run = simulate(sines), simulate(delta)
    assert measure(delta_run).settled_rpm > 1.1 * measure(star_run).settled_rpm
    assert float(delta_run.state["drawn_A_s"]) == 0.0  # counted behind a supply with a resistance only
    assert float(delta_run.state["supply_J"]) > 1.5 * float(star_run.state["supply_J"])


def test_trapezoids_in_delta_heat_themselves(blower: Design) -> None:
    # Their sum is not zero: a current goes round, at any load. Sines send none.
    turning: dict[str, Override] = {
        "motor.connection": "delta",
        "command.speed_rpm": 20000.0,
        "require.speed_rpm": 20000.0,
    }
    flat = simulate(apply_overrides(blower, turning))
    sines = simulate(apply_overrides(blower, {**turning, "motor.back_emf": "sine"}))
    assert abs(float(flat.state["round_A"])) > 0.01
    assert abs(float(sines.state["round_A"])) < 1e-9


def test_a_weak_coil_keeps_its_energy(blower: Design) -> None:
    changes: dict[str, Override] = {
        "motor.ke_imbalance_b_percent": -10.0,
        "motor.ke_imbalance_c_percent": 5.0,
    }
    metrics = measure(simulate(apply_overrides(blower, changes)))
    assert metrics.energy_balance_error < 1e-3
    assert metrics.settled_rpm > 10000.0


UNEQUAL: dict[str, Override] = {
    "motor.resistance_imbalance_b_percent": 10.0, "motor.resistance_imbalance_c_percent": -20.0,
    "motor.inductance_imbalance_b_percent": 25.0, "motor.inductance_imbalance_c_percent": -10.0,
}  # fmt: skip


def test_percent_of_imbalance_are_parts_of_coil_a_in_the_plant(blower: Design) -> None:
    p = plant_parameters(apply_overrides(blower, UNEQUAL))
    assert p["unequal"] == 1
    assert p["more_ohm_part"].tolist() == [0.0, 0.1, -0.2]
    assert p["more_H_part"].tolist() == [0.0, 0.25, -0.1]
    assert plant_parameters(blower)["unequal"] == 0


QUICK: dict[str, Override] = {
    "motor.inertia_kg_m2": 1e-10, "load.added_inertia_kg_m2": 0.0, "load.fan_torque_Nm": 1e-9,
    "motor.windage_Nm_s2_per_rad2": 0.0, "numerics.max_segment_s": 0.01,
}  # fmt: skip
"""A light rotor almost without drag: what limits a segment is how speed and current act on each other."""


# Percent that coils B and C differ by, and the smallest of the three over coil A.
@pytest.mark.parametrize(("b", "c", "least"), [(-20.0, 10.0, 0.8), (10.0, -20.0, 0.8), (10.0, 20.0, 1.0)])
def test_the_smallest_coil_limits_a_segment(blower: Design, b: float, c: float, least: float) -> None:
    """A twentieth of R J / (2 ke^2); of sqrt(J L / (2 ke^2)) where the current is slower; and of sqrt(2 L C)
    where the bridge swings."""
    ohms: dict[str, Override] = {
        "motor.resistance_imbalance_b_percent": b,
        "motor.resistance_imbalance_c_percent": c,
    }
    henrys: dict[str, Override] = {
        "motor.inductance_imbalance_b_percent": b,
        "motor.inductance_imbalance_c_percent": c,
    }
    slow = {"motor.phase_inductance_H": 1e-2}
    soft = {"drive.supply_resistance_ohm": 1.0, "drive.bulk_capacitance_F": 1e-4}

    def limit_s(changes: Mapping[str, Override]) -> float:
        return float(plant_parameters(apply_overrides(blower, {**QUICK, **changes}))["max_segment_s"])

    double_ke2 = 2.0 * 3.5e-4**2
    switch_ohm = 0.1
    # Rounding only.
    assert limit_s(ohms) == pytest.approx(0.05 * (1.75 * least + switch_ohm) * 1e-10 / double_ke2, rel=1e-12)
    assert limit_s({**henrys, **slow}) == pytest.approx(
        0.05 * (1e-10 * 1e-2 * least / double_ke2) ** 0.5, rel=1e-12
    )
    assert limit_s({**henrys, **soft}) == pytest.approx(0.05 * (2.0 * 1e-6 * least * 1e-4) ** 0.5, rel=1e-12)


@pytest.mark.parametrize("connection", ["wye", "delta"])
def test_unequal_coils_keep_their_energy_and_settle_near_their_torque_balance(
    blower: Design, connection: str
) -> None:
    equal = apply_overrides(blower, {"motor.connection": connection})
    unequal = apply_overrides(equal, UNEQUAL)
    metrics = measure(simulate(unequal))
    assert metrics.energy_balance_error < 1e-3
    # The resistances differ by less in the mean than the balance leaves out, see above.
    assert metrics.settled_rpm == pytest.approx(torque_balance_rpm(unequal), rel=0.04)


def test_more_resistance_in_one_coil_takes_speed_and_is_told_in_the_torque_ceiling(blower: Design) -> None:
    bad_via = apply_overrides(blower, {"motor.resistance_imbalance_b_percent": 100.0})
    slower, plain = measure(simulate(bad_via)).settled_rpm, measure(simulate(blower)).settled_rpm
    lost = torque_balance_rpm(bad_via) / torque_balance_rpm(blower)
    assert lost < 0.97
    assert slower / plain == pytest.approx(lost, rel=0.02)
