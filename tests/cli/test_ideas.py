"""`tickspin compare --ideas`: what a builder's changes give, as single runs give it, in order."""

import itertools
import json
from pathlib import Path

import pytest

from sim.design import Override, apply_overrides, load_design
from sim.run.metrics import measure
from sim.run.simulate import simulate
from sim.studies.ideas import IDEAS, ideas, left_out
from sim.studies.limits import NOTICEABLE
from sim.studies.try_ideas import TriedIdeas, try_ideas
from tests.cli.command import AIR_SAMPLER, SCENARIOS, Command


@pytest.fixture(scope="module")
def blower() -> TriedIdeas:
    return try_ideas(load_design(AIR_SAMPLER))


def test_each_idea_is_tried_or_left_out_with_a_reason(blower: TriedIdeas) -> None:
    tried = {tried.idea.variant.name for tried in blower.tried}
    left = {row.name: row.reason for row in blower.left_out}
    assert tried | set(left) == {row.name for row in IDEAS}
    assert not tried & set(left)
    zero = "everything that it would change is 0 in this design"
    assert left == {"ceramic bearing": zero, "bearing away": zero}


def test_an_idea_beyond_a_bound_is_left_out_with_the_fault() -> None:
    high = apply_overrides(load_design(AIR_SAMPLER), {"drive.supply_V": 59.0, "command.duration_s": 0.1,
                                                      "require.within_s": 0.1})  # fmt: skip
    left = {row.name: row.reason for row in try_ideas(high).left_out}
    assert left["volts"].startswith(
        "drive.supply_V: must not be above the highest allowed value, found 73.75"
    )


def test_a_row_says_what_a_single_run_says(blower: TriedIdeas) -> None:
    design = load_design(AIR_SAMPLER)
    base = measure(simulate(design)).settled_rpm
    for tried in blower.tried:
        settled = measure(simulate(apply_overrides(design, tried.idea.variant.overrides))).settled_rpm
        assert tried.row.settled_rpm == settled
        assert tried.settled_gain_rpm == settled - base


def test_the_order_is_by_what_meets_it_then_by_settled_gain_then_by_top_gain(blower: TriedIdeas) -> None:
    step = NOTICEABLE * blower.base.settled_rpm
    keys = [(-round(t.settled_gain_rpm / step), -t.top_gain_rpm) for t in blower.tried]
    assert keys == sorted(keys)
    assert len({key[0] for key in keys}) > 1
    slow: dict[str, Override] = {"command.speed_rpm": 9000.0, "require.speed_rpm": 9000.0}
    followed = try_ideas(apply_overrides(blower.design, slow))  # the command is held, whatever the idea
    equal = [t.top_gain_rpm for t in followed.tried if abs(t.settled_gain_rpm) < 0.005 * 9000.0]
    assert len(equal) > 5
    assert all(a >= b for a, b in itertools.pairwise(equal))


def test_the_command_prints_a_table_with_the_changes_below(tickspin: Command) -> None:
    ended = tickspin("compare", AIR_SAMPLER, "--ideas", "--json", "ideas.json")
    assert ended.status == 1  # nothing that is done to the motor helps a chip that is too slow
    lines = ended.out.splitlines()
    assert lines[2].split()[:2] == ["meets", "it"]
    assert lines[3].startswith("as it is")
    assert "volts: more supply voltage: drive.supply_V x1.25" in lines
    assert "A guess; your own number is needed. Why: no formula without the core's shape" in ended.out
    assert "left out: bearing away: everything that it would change is 0 in this design" in lines
    data = json.loads((tickspin.folder / "ideas.json").read_text())
    assert [row["name"] for row in data["rows"]] == [
        line.split("  ")[0] for line in lines[4 : 4 + len(data["rows"])]
    ]
    volts = next(row for row in data["rows"] if row["name"] == "volts")
    assert volts["overrides"] == {"drive.supply_V": "x1.25"}
    assert volts["is_guess"] is False
    assert set(data) == {"rows", "base", "left_out"}
    delta = lines[lines.index("connection: delta instead of wye (or back): motor.connection = delta") + 1]
    assert delta.strip().startswith("Why: between terminals")  # a choice has no size


# (words after the scenario, part of the message)
BAD = [
    ((), "takes --vary or --ideas, found neither"),
    (("--ideas", "--vary", "drive.supply_V=5"), "takes --vary or --ideas, found both"),
    (("--ideas", "--plot", "c.png"), "--plot: goes with --vary"),
    (("--ideas", "--price", "m0=1"), "--price: goes with --vary"),
]


@pytest.mark.parametrize(("words", "message"), BAD)
def test_bad_combinations_are_one_message(tickspin: Command, words: tuple[str, ...], message: str) -> None:
    ended = tickspin("compare", AIR_SAMPLER, *words)
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert message in ended.err
    assert list(tickspin.folder.iterdir()) == []


def test_a_design_that_cannot_be_run_is_refused(tickspin: Command) -> None:
    text = AIR_SAMPLER.read_text().replace('law = "step_trim"', 'law = "duty_pi_three"')
    Path("three.toml").write_text(text)
    ended = tickspin("compare", "three.toml", "--ideas")
    assert (ended.status, ended.out) == (2, "")
    assert "hall.sensors: must be 3" in ended.err


def test_every_idea_of_a_design_with_all_of_it_is_tried() -> None:
    design = load_design(SCENARIOS / "prop_rig.toml")
    assert len(ideas(design)) == len(IDEAS)
    assert left_out(design) == []


def test_where_all_ideas_fail_for_the_firmware_the_last_line_says_what_to_try(tickspin: Command) -> None:
    Path("my fan.toml").write_text(AIR_SAMPLER.read_text())
    ended = tickspin("compare", "my fan.toml", "--ideas")
    assert "\nNext: tickspin compare 'my fan.toml' --vary firmware.target=all   (" in ended.out
    assert tickspin("compare", "my fan.toml", "--vary", "firmware.target=all").status == 0


def test_what_meets_the_requirement_stands_first_and_gives_status_0(tickspin: Command) -> None:
    """A fan that is fast enough and gets too hot from the ripple of its PWM: others are faster and do not
    help."""
    ended = tickspin("compare", SCENARIOS / "fume_fan.toml", "--ideas", "--json", "i.json")
    rows = json.loads((tickspin.folder / "i.json").read_text())["rows"]
    met = [row["met"] for row in rows]
    assert ended.status == 0
    assert met == sorted(met, reverse=True)
    assert set(met) == {True, False}
    assert next(row for row in rows if row["name"] == "PWM frequency")["met"]
    met_rpm = max(row["top_rpm"] for row in rows if row["met"])
    assert any(row["top_rpm"] > met_rpm for row in rows if not row["met"])
    assert "Next:" not in ended.out
