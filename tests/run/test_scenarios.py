"""The shipped scenarios: each answers, keeps its energy, and teaches what it is there for."""

from pathlib import Path

import numpy as np
import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.run.metrics import Metrics, measure
from sim.run.simulate import simulate
from sim.studies.answer import answer
from sim.studies.limits import met

SCENARIOS = sorted(Path("scenarios").glob("*.toml"))
# What is shipped: whether the requirement is met, and the effect that makes the scenario a case of its own.
VERDICTS = {
    "air_sampler": (False, "processor"),
    "fume_fan": (False, "heat"),
    "label_feeder": (True, "command"),
    "prop_rig": (False, None),  # load and supply come to the same within a few rpm
    "reaction_wheel": (True, "command"),
    "stirrer": (False, None),  # here, too
}


def ran(design: Design, changes: dict[str, Override] | None = None) -> Metrics:
    """Metrics of a run with keys changed."""
    return measure(simulate(apply_overrides(design, changes or {})))


def named(name: str) -> Design:
    return load_design(f"scenarios/{name}.toml")


def test_all_of_them_are_here() -> None:
    assert {path.stem for path in SCENARIOS} == set(VERDICTS)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_each_keeps_its_energy_and_its_verdict(path: Path) -> None:
    design = load_design(path)
    metrics = ran(design)
    assert metrics.energy_balance_error < 1e-3  # the contract
    assert met(design, metrics) == VERDICTS[path.stem][0]


@pytest.mark.slow
@pytest.mark.parametrize("name", VERDICTS)
def test_each_is_held_back_by_what_it_shows(name: str) -> None:
    wanted = VERDICTS[name][1]
    limited_by = answer(named(name)).diagnosis.limited_by
    assert limited_by == wanted or (wanted is None and limited_by in ("load", "supply"))


def test_the_delta_of_the_fume_fan_only_moves_the_limit() -> None:
    delta, star = named("fume_fan"), {"motor.connection": "wye"}
    hot, slow = ran(delta), ran(delta, star)
    assert hot.settled_rpm > 1.05 * slow.settled_rpm or slow.winding_steady_C is not None
    assert hot.winding_steady_C is not None
    assert hot.winding_steady_C > delta.thermal.winding_limit_C


def test_the_stirrers_cell_lets_it_down_and_a_fresh_one_would_not() -> None:
    cold = named("stirrer")
    fresh: dict[str, Override] = {"drive.battery_fade_V_per_As": 0.0, "drive.battery_sag_ohm": 0.0}
    tired, held = ran(cold), ran(cold, fresh)
    assert tired.settled_rpm < 0.98 * tired.reached_rpm
    assert met(apply_overrides(cold, fresh), held)


def test_the_feeder_gets_through_the_cutter() -> None:
    trace = simulate(named("label_feeder")).trace
    cutting = (trace[:, 0] > 1.6) & (trace[:, 0] < 2.0)
    assert trace[cutting, 1].min() > 0.8 * 3000.0


def test_a_heavier_blade_costs_the_rig_its_speed() -> None:
    rig = named("prop_rig")
    assert ran(rig, {"load.propeller_diameter_m": 0.22}).settled_rpm < 0.97 * ran(rig).settled_rpm


def from_to_s(design: Design, low_rpm: float, high_rpm: float) -> float:
    """Time between two speeds on the way up."""
    trace = simulate(design).trace
    reached = [trace[np.flatnonzero(trace[:, 1] >= speed)[0], 0] for speed in (low_rpm, high_rpm)]
    return float(reached[1] - reached[0])


def test_the_wheel_takes_the_time_of_its_inertia() -> None:
    wheel = named("reaction_wheel")
    heavy = apply_overrides(wheel, {"load.added_inertia_kg_m2": 8e-5})
    # J is 420 and 820 g cm2 at the same torque, once the start is over; samples lie 7.5 ms apart.
    ratio = from_to_s(heavy, 1500.0, 4500.0) / from_to_s(wheel, 1500.0, 4500.0)
    assert ratio == pytest.approx(82.0 / 42.0, rel=0.05)
