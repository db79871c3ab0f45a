"""Ideas of a builder: the keys they change, and that the simulation follows their formulas."""

import math
from dataclasses import replace

import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.run.metrics import measure
from sim.run.plant_records import plant_parameters
from sim.run.simulate import simulate
from sim.run.torques import no_load_rpm
from sim.studies.ideas import IDEAS, TYPICAL, gap_flux, ideas

DRAGGED: dict[str, Override] = {
    "motor.cogging_Nm": 1e-6, "motor.magnetic_drag_Nm": 2e-6, "motor.eddy_drag_Nm_s_per_rad": 1e-9,
}  # fmt: skip


@pytest.fixture(scope="module")
def blower() -> Design:
    return apply_overrides(load_design("scenarios/air_sampler.toml"), DRAGGED)


def changed(design: Design, name: str) -> Design:
    """The design with an idea carried out."""
    idea = next(idea for idea in ideas(design) if idea.variant.name == name)
    return apply_overrides(design, idea.variant.overrides)


def test_every_idea_applies_and_says_why(blower: Design) -> None:
    found = ideas(blower)
    assert [idea.variant.name for idea in found] == [row.name for row in IDEAS]
    for idea in found:
        assert apply_overrides(blower, idea.variant.overrides) != blower
        assert min(map(len, (idea.change, idea.formula, idea.source, idea.valid))) > 8
        assert idea.is_guess == ("no formula" in idea.formula)


def test_ideas_about_what_is_not_there_are_left_out() -> None:
    plain = load_design("scenarios/air_sampler.toml")
    names = {idea.variant.name for idea in ideas(plain)}
    assert names == {row.name for row in IDEAS} - {"ceramic bearing", "bearing away"}


def test_an_idea_beyond_the_bounds_of_a_key_is_left_out(blower: Design) -> None:
    high = apply_overrides(blower, {"drive.supply_V": 59.0})
    assert "volts" not in {idea.variant.name for idea in ideas(high)}


def test_the_air_gap_of_a_magnetic_circuit() -> None:
    # B / Br = h / (h + mu_r g) (Hanselman, from memory): h = 2 mm, g = 1 mm, mu_r = 1.05.
    assert gap_flux(2e-3, 1e-3) == pytest.approx(2.0 / 3.05, rel=1e-12)
    assert gap_flux(2e-3, 0.0) == 1.0


# Ratio of the keys that each idea changes; worked from the formulas by hand.
FLUX_THICK = (3.0 / (3.0 + 1.05 * 1.5)) / (2.0 / (2.0 + 1.05 * 1.5))
FLUX_GAP = (2.0 / (2.0 + 1.05 * 0.7 * 1.5)) / (2.0 / (2.0 + 1.05 * 1.5))
RATIOS = {
    "volts": {"drive.supply_V": 1.25},
    "magnet grade": {"motor.ke_V_s_per_rad": 1.11, "motor.cogging_Nm": 1.11**2},
    "magnet size": {"motor.ke_V_s_per_rad": FLUX_THICK, "motor.inertia_kg_m2": 1.5},
    "air gap": {"motor.ke_V_s_per_rad": FLUX_GAP, "motor.magnetic_drag_Nm": FLUX_GAP**1.6},
    "rotor diameter": {"motor.ke_V_s_per_rad": 1.44, "motor.inertia_kg_m2": 1.2**4},
    "ceramic bearing": {"motor.magnetic_drag_Nm": 0.2},
    "bearing away": {"motor.magnetic_drag_Nm": math.exp(-1.6 * 2 * 3.0 / 8.0)},
    "copper": {"motor.phase_resistance_ohm": 0.5},
    "PWM frequency": {"drive.pwm_Hz": 5.0},
    "layers": {
        "motor.ke_V_s_per_rad": 2.0,
        "motor.phase_resistance_ohm": 2.0,
        "motor.phase_inductance_H": 4.0,
    },
}


@pytest.mark.parametrize("name", RATIOS)
def test_the_keys_move_by_the_formula(blower: Design, name: str) -> None:
    after = changed(blower, name)
    for path, ratio in RATIOS[name].items():
        section, _, key = path.partition(".")
        before = getattr(getattr(blower, section), key)
        # Overrides carry nine digits.
        assert getattr(getattr(after, section), key) / before == pytest.approx(ratio, rel=1e-8), path


def test_delta_and_back_again_is_where_it_began(blower: Design) -> None:
    assert changed(changed(blower, "connection"), "connection").motor.connection == "wye"


def test_a_core_slows_the_unloaded_motor_and_makes_it_cog(blower: Design) -> None:
    core = changed(blower, "iron core")
    assert no_load_rpm(core) == pytest.approx(no_load_rpm(blower) / TYPICAL.core_ke, rel=1e-9)
    assert plant_parameters(core)["cogging_Nm"] > 100.0 * plant_parameters(blower)["cogging_Nm"]


def test_the_builders_own_numbers_replace_the_typical_ones(blower: Design) -> None:
    own = replace(TYPICAL, thicker_copper=4.0)
    idea = next(idea for idea in ideas(blower, own) if idea.variant.name == "copper")
    assert idea.variant.overrides == {"motor.phase_resistance_ohm": "x0.25"}


def test_more_copper_or_more_turns_make_the_same_motor_constant_better(blower: Design) -> None:
    # Km = ke / sqrt R: twice the copper, sqrt 2, whichever way it is wound.
    def constant(design: Design) -> float:
        return design.motor.ke_V_s_per_rad / math.sqrt(design.motor.phase_resistance_ohm)

    gained = [constant(changed(blower, name)) / constant(blower) for name in ("copper", "layers")]
    assert gained == pytest.approx([math.sqrt(2.0)] * 2, rel=1e-9)


def test_the_heat_of_the_ripple_falls_with_the_square_of_the_pwm_frequency() -> None:
    """With periods short against L / R, and no dead time, which takes the larger part of a shorter period."""
    fan = load_design("scenarios/fume_fan.toml")
    calm: dict[str, Override] = {"motor.phase_inductance_H": "x4", "drive.dead_time_s": 0.0}

    def square_A2(pwm_Hz: float) -> float:
        changes = {**calm, "drive.pwm_Hz": pwm_Hz}
        return measure(simulate(apply_overrides(fan, changes))).rms_phase_A ** 2

    slow, middle, fast = map(square_A2, (4e4, 8e4, 16e4))
    # a / f^2 leaves (1 - 1/16) over (1/4 - 1/16) = 5; the squares scatter by 1e-4 A^2 with the duty that the
    # law happens to hold, 6 % of the smaller difference each.
    assert (slow - fast) / (middle - fast) == pytest.approx(5.0, rel=0.15)
