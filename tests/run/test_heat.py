"""Heat in whole runs: where temperatures end, and when they decide the verdict."""

import math

import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.run.heat import continuous_A, steady_winding_C
from sim.run.loads import drag_Nm
from sim.run.metrics import measure
from sim.run.plant_records import plant_parameters
from sim.run.simulate import simulate
from sim.run.torques import continuous_torque_Nm, heat_ceiling_rpm, torque_balance_rpm
from sim.studies.answer import answer

NODES = {
    "thermal.winding_to_board_K_per_W": 4.0,
    "thermal.board_to_ambient_K_per_W": 10.0,
    "thermal.winding_J_per_K": 0.02,
    "thermal.board_J_per_K": 0.03,
}
"""Small heat capacities: time constants of 0.1 and 0.4 s, so that a run of 8 s ends warm through."""


@pytest.fixture(scope="module")
def blower() -> Design:
    changes = {"firmware.law": "duty_pi", "firmware.target": "m4f", "command.duration_s": 8.0}
    return apply_overrides(load_design("scenarios/air_sampler.toml"), {**changes, **NODES})


def test_a_long_run_ends_at_the_steady_temperature(blower: Design) -> None:
    recording = simulate(blower)
    metrics = measure(recording)
    assert metrics.winding_steady_C is not None
    end_C = blower.thermal.ambient_C + float(recording.state["winding_rise_K"])
    # The closed form leaves out the diodes' heat in the board, a few per cent of 10 K/W.
    assert end_C == pytest.approx(metrics.winding_steady_C, rel=0.03)
    assert end_C > 30.0
    assert metrics.energy_balance_error < 1e-3


def test_the_continuous_current_ends_at_the_limit(blower: Design) -> None:
    # In six-step drive each phase carries the current two thirds of the time.
    current_A, _ = continuous_A(blower)
    rms_A = math.sqrt(2.0 / 3.0) * current_A
    assert steady_winding_C(blower, rms_A) == pytest.approx(blower.thermal.winding_limit_C, rel=1e-12)


WORSE: dict[str, Override] = {
    "motor.resistance_imbalance_b_percent": 30.0, "motor.resistance_imbalance_c_percent": -12.0,
    "thermal.magnet_per_K": -0.002,
}  # fmt: skip
OHMS = (1.75, 1.75 * 1.3, 1.75 * 0.88)
"""The blower's coils with that."""


def shed_C(coils_W: float, switches_W: float) -> tuple[float, float]:
    """Temperatures of winding and board above which 4 K/W and 10 K/W carry these losses to 20 C."""
    board_C = 20.0 + 10.0 * (coils_W + switches_W)
    return board_C + 4.0 * coils_W, board_C


def test_coils_of_unequal_resistance_heat_with_their_sum(blower: Design) -> None:
    """Derived here: 0.4 A in every coil, each with the resistance it has at the temperature it ends at."""
    end_C = steady_winding_C(apply_overrides(blower, WORSE), 0.4)
    coils_W = sum(0.4**2 * ohm * (1.0 + 0.00393 * (end_C - 20.0)) for ohm in OHMS)
    # It solves the linear balance: rounding only.
    assert end_C == pytest.approx(shed_C(coils_W, 3.0 * 0.4**2 * 0.1)[0], rel=1e-12)


def test_coils_of_unequal_resistance_give_the_torque_that_their_mean_heat_allows(blower: Design) -> None:
    """Derived here: over six steps every coil of a star carries the current for two thirds of the time."""
    design = apply_overrides(blower, WORSE)
    limit_C = blower.thermal.winding_limit_C
    current_A, board_C = continuous_A(design)
    coils_W = sum(2.0 / 3.0 * current_A**2 * ohm * (1.0 + 0.00393 * (limit_C - 20.0)) for ohm in OHMS)
    # Solved for the current: rounding only.
    assert (limit_C, board_C) == pytest.approx(shed_C(coils_W, 2.0 * current_A**2 * 0.1), rel=1e-12)
    ke = 2.0 * 3.5e-4 * (1.0 - 0.002 * (board_C - 20.0))
    assert continuous_torque_Nm(design) == pytest.approx(ke * current_A, rel=1e-12)


def test_a_current_whose_heat_feeds_itself_runs_away(blower: Design) -> None:
    # Runaway: R_th P20 a >= 1 (derived from the linear balance).
    edge_A = math.sqrt(1.0 / (14.0 * 3.0 * 1.75 * 0.00393))
    assert steady_winding_C(blower, 0.999 * edge_A) < math.inf
    assert steady_winding_C(blower, 1.001 * edge_A) == math.inf


def test_the_heat_ceiling_is_where_the_load_takes_the_continuous_torque(blower: Design) -> None:
    design = apply_overrides(blower, {"thermal.winding_limit_C": 30.0})
    ceiling = heat_ceiling_rpm(design)
    drag = drag_Nm(plant_parameters(design), ceiling * math.pi / 30.0)
    assert drag == pytest.approx(continuous_torque_Nm(design), rel=1e-9)  # bisected
    assert ceiling < torque_balance_rpm(design)


def test_a_design_that_does_what_it_is_told_too_hot_is_limited_by_heat(blower: Design) -> None:
    asked = {"command.speed_rpm": 15000.0, "require.speed_rpm": 15000.0, "require.within_s": 8.0}
    cool = answer(apply_overrides(blower, asked))
    assert cool.met
    hot = answer(apply_overrides(blower, {**asked, "thermal.winding_limit_C": 21.0}))
    assert not hot.met
    assert hot.diagnosis.limited_by == "heat"
    assert "21 C is its limit" in hot.explanation
    assert hot.as_dict()["motor"]["winding_C"] == hot.metrics.winding_C
    assert hot.ceilings_rpm["heat"] < 15000.0


def test_judged_by_the_run_alone_the_end_of_a_long_duty_does_not_count(blower: Design) -> None:
    slow = {"thermal.winding_J_per_K": 20.0, "thermal.board_J_per_K": 300.0, "thermal.winding_limit_C": 24.0}
    asked = {"command.speed_rpm": 15000.0, "require.speed_rpm": 15000.0, "require.within_s": 8.0}
    design = apply_overrides(blower, {**asked, **slow})
    assert not answer(design).met
    assert answer(apply_overrides(design, {"thermal.judged": "run"})).met
