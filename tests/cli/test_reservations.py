"""Neither yes nor no: designs that do their job against themselves, memory that is too close to call."""

import json
from pathlib import Path

from sim.studies.compare import Row, rank
from tests.cli.command import AIR_SAMPLER, SCENARIOS, Command


def met_scenario(folder: Path) -> Path:
    """The air sampler on a chip that does it."""
    path = folder / "met.toml"
    path.write_text(AIR_SAMPLER.read_text().replace('"acc8"', '"m4f"'))
    return path


def test_what_meets_its_requirement_against_itself_is_told_how_and_what_to_try(tickspin: Command) -> None:
    ended = tickspin("run", met_scenario(tickspin.folder), "--json", "r.json")
    result = json.loads((tickspin.folder / "r.json").read_text())
    motor, firmware = result["motor"], result["firmware"]
    angle = f"{firmware['settled_angle_error_deg']:.1f} electrical degrees late on average"
    text = " ".join(ended.out.split())
    assert f"It works against itself: its steps come {angle}, " in text
    assert f"it draws {motor['settled_supply_W']:.3g} W where" in text
    assert f"commutation {angle}, at the end" in text
    assert f"Next: tickspin compare {tickspin.folder / 'met.toml'} --vary firmware.law=all" in text
    at_end, whole = motor["settled_rms_phase_A"], motor["rms_phase_A"]
    assert at_end != whole
    assert f"phase current {at_end:.3f} A rms at the end" in text
    assert f"whole run {whole:.3f} A rms, {motor['peak_phase_A']:.3f} A peak, start included" in text


def test_a_better_law_that_does_not_fit_is_looked_for_on_other_targets(tickspin: Command) -> None:
    scenario = SCENARIOS / "label_feeder.toml"
    ended = tickspin("run", scenario)
    assert "Try the law duty_pi" in ended.out
    assert "acc8 has 2,048, so on another target." in " ".join(ended.out.split())
    words = "--vary firmware.law=duty_pi --vary firmware.target=all"
    assert f"Next: tickspin compare {scenario} {words}" in ended.out


def test_flash_that_is_too_close_to_call_is_told_so_by_run_and_cost(tickspin: Command) -> None:
    ran = tickspin("run", AIR_SAMPLER, "--json", "r.json")
    result = json.loads((tickspin.folder / "r.json").read_text())["firmware"]
    why = "too close to call: the estimate is good to 25 % (never measured on acc8)"
    assert (result["fits"], result["too_close_to_call"]) == (True, {"flash": why})
    assert f"flash           2,035 of 2,048 bytes; {why}\n" in ran.out
    assert f"Flash is {why}." in " ".join(ran.out.split())
    priced = tickspin("cost", "step_trim", "--scenario", AIR_SAMPLER, "--json", "c.json").out
    assert f"flash   2,035 of 2,048 bytes, 96 of start-up code\n    {why}\n" in priced
    assert json.loads((tickspin.folder / "c.json").read_text())["too_close_to_call"] == {"flash": why}
    assert "too close" not in tickspin("run", met_scenario(tickspin.folder)).out


def test_what_works_against_itself_stands_below_what_does_not(tickspin: Command) -> None:
    """For all its wider margin; and a choice that does so is named with the cheapest that does not."""
    feeder = SCENARIOS / "label_feeder.toml"
    laws = ("--vary", "firmware.law=step_trim,duty_pi")
    ended = tickspin("compare", feeder, *laws, "--vary", "firmware.target=m0,acc8", "--json", "c.json")
    data = json.loads((tickspin.folder / "c.json").read_text())
    rows = {row["name"]: row for row in data["rows"]}
    assert list(rows)[:3] == ["step_trim, acc8", "duty_pi, m0", "step_trim, m0"]
    good, bad = rows["duty_pi, m0"], rows["step_trim, m0"]
    assert bad["margin"] > good["margin"] + 0.01  # one step of the ranking
    assert (good["strain"], bad["strain"][:26]) == ("", "It works against itself: i")
    assert (data["choice"], data["unstrained"]) == ("step_trim, acc8", "duty_pi, m0")
    text = " ".join(ended.out.split())
    assert "But it works against itself; duty_pi, m0 is the cheapest that does not." in text
    assert "Against itself works: step_trim, acc8; step_trim, m0." in text
    line = next(line for line in ended.out.splitlines() if line.startswith("duty_pi, m0"))
    shown = [f"{good['settled_rms_phase_A']:.3g}", f"{good['efficiency']:.1%}"]
    assert line.split()[-2:] == shown


def test_the_choice_says_what_it_stands_above(tickspin: Command) -> None:
    laws = ("--vary", "firmware.target=m0", "--vary", "firmware.law=step_trim,duty_pi")
    told = " ".join(tickspin("compare", AIR_SAMPLER, *laws).out.split())
    assert "duty_pi meets the requirement; of 2 at that price it alone does not work against itself." in told
    laws = (*laws[:3], "firmware.law=step_trim,duty_pi,trim_then_duty")
    told = " ".join(tickspin("compare", AIR_SAMPLER, *laws).out.split())
    assert "; of 3 at that price 1 works against itself, and none of the others has a wider margin." in told
    laws = (*laws[:3], "firmware.law=step_trim,step_trim_background")
    told = " ".join(tickspin("compare", AIR_SAMPLER, *laws).out.split())
    assert "none has a wider margin. But it works against itself; so does all that meets it." in told


def test_without_a_load_there_is_no_efficiency_and_the_current_decides(tickspin: Command) -> None:
    wheel = SCENARIOS / "reaction_wheel.toml"
    ended = tickspin("compare", wheel, "--vary", "firmware.target=m0", "--json", "c.json")
    (row,) = json.loads((tickspin.folder / "c.json").read_text())["rows"]
    assert row["efficiency"] is None
    assert next(line for line in ended.out.splitlines() if line.startswith("m0")).split()[-1] == "-"
    currents = ((1.04, 0.3), (1.0, 0.2), (0.5, 0.9))  # the first two within a tenth: the load decides
    rows = [Row("", {}, True, True, "", settled_rms_phase_A=a, load=load) for a, load in currents]
    assert [row.settled_rms_phase_A for row in sorted(rows, key=rank)] == [0.5, 1.0, 1.04]


def test_of_equal_margins_the_higher_efficiency_decides_before_the_load() -> None:
    parts = ((0.015, 0.1), (0.56, 0.5), (0.55, 0.4))
    rows = [Row("", {}, True, True, "", margin=0.5, efficiency=part, load=load) for part, load in parts]
    assert [row.efficiency for row in sorted(rows, key=rank)] == [0.55, 0.56, 0.015]


def test_what_is_too_close_to_call_is_told_with_its_rows(tickspin: Command) -> None:
    words = ("--vary", "firmware.target=acc8,m0", "--json", "c.json")
    ended = tickspin("compare", AIR_SAMPLER, *words)
    rows = {row["name"]: row for row in json.loads((tickspin.folder / "c.json").read_text())["rows"]}
    why = "too close to call: the estimate is good to 25 % (never measured on acc8)"
    assert {name: row["too_close_to_call"] for name, row in rows.items()} == {
        "acc8": {"flash": why},
        "m0": {},
    }
    assert f"acc8: flash {why}" in ended.out
