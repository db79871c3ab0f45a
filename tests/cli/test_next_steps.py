"""The last line of `tickspin run`: the command to try next, which must be one that answers."""

import json
import shlex
from pathlib import Path

import pytest

from sim.design import apply_overrides, load_design, variant_of
from sim.views.next_steps import Typed, next_step
from tests.cli.command import AIR_SAMPLER, SCENARIOS, Command
from tests.cli.test_run import met_scenario


@pytest.mark.parametrize(
    ("name", "rest"),
    [("air_sampler", "--vary firmware.target=all   ("), ("fume_fan", "--ideas   (")],
)
def test_what_falls_short_is_told_what_to_try_under_the_name_as_typed(
    tickspin: Command, name: str, rest: str
) -> None:
    Path("my fan.toml").write_text((SCENARIOS / f"{name}.toml").read_text())
    ended = tickspin("run", "my fan.toml")
    before_caution = ended.out.split("\n\n")[-2]
    assert before_caution.startswith(f"Next: tickspin compare 'my fan.toml' {rest}")


def test_what_meets_its_requirement_is_told_nothing_to_try(tickspin: Command) -> None:
    told = tickspin("run", met_scenario(tickspin.folder, "duty_pi")).out
    assert "\nMET: " in told
    assert "Next:" not in told
    assert "against itself" not in told


def test_every_next_step_is_a_command_that_answers(tickspin: Command) -> None:
    """Also where `run` took another law and target than the scenario names."""
    tickspin("new", "--target", "own", "--base", "acc8")
    base = load_design(AIR_SAMPLER)
    own, avr5 = (variant_of(base, {"firmware.target": name}) for name in ("own.toml", "avr5"))
    designs = {None: base, "own.toml": own, "avr5": avr5}
    for limit in ("processor", "memory", "law", "rounding", "timer"):
        for typed in (
            Typed(str(AIR_SAMPLER)),
            Typed(str(AIR_SAMPLER), "free_trim", target_file="own.toml"),
            Typed(str(AIR_SAMPLER), target="avr5"),
        ):
            line = next_step(limit, designs[typed.target or typed.target_file], typed)
            words = shlex.split(line.removeprefix("Next: tickspin ").partition("   (")[0])
            ended = tickspin(*words)
            assert (ended.status in (0, 1), ended.err) == (True, ""), line
    moved = next_step("supply", own, Typed("a.toml", "free_trim", target_file="own.toml"))
    assert moved.startswith(
        'Next: write firmware.law = "free_trim" and firmware.target = "own.toml" into a.toml, then: '
        "tickspin compare a.toml --ideas"
    )


# what the scenario says under [load], what limits, and the command that is then to try
HELD = [
    ("constant_torque_Nm = 8e-3", "stall", "held.toml --vary load.constant_torque_Nm=x0.047,x0.024"),
    ('rotor = "locked"', "locked", "held.toml --vary load.rotor=free"),
    ("constant_torque_Nm = 4e-4", "start", "held.toml --vary firmware.parameters.start_duty=0.6,0.8,1"),
]


@pytest.mark.parametrize(("load", "limited_by", "words"), HELD)
def test_what_stands_still_is_told_what_would_let_it_turn(
    tickspin: Command, load: str, limited_by: str, words: str
) -> None:
    """Stall torque of the starter 2 ke V / 2 (R + Rs) = 0.946 mNm, see tests/run/test_fitted_gains.py: of it
    two fifths and one fifth, friction left out, are 0.047 and 0.024 of the load."""
    tickspin("new", "held")
    path = tickspin.folder / "held.toml"
    path.write_text(path.read_text().replace("[load]", f"[load]\n{load}", 1))
    ended = tickspin("run", path.name)
    assert f"Limited by: {limited_by}." in ended.out
    assert f"\nNext: tickspin compare {words}   (" in ended.out
    tried = json.loads(tickspin("compare", *shlex.split(words), "--json", "-").out)["rows"]
    assert any(row["met"] for row in tried)


def test_a_load_that_no_factor_mends_is_left_to_the_ideas() -> None:
    """Friction alone is beyond the stall torque."""
    stuck = apply_overrides(load_design(AIR_SAMPLER), {"motor.stiction_Nm": 0.1})
    assert next_step("stall", stuck, Typed("a.toml")).startswith(
        "Next: tickspin compare a.toml --ideas   (it "
    )
