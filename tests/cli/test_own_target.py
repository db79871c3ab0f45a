"""A microcontroller of the user's own: `new --target`, `--target-file`, a file named in the scenario, its
faults."""

import json
from pathlib import Path

import pytest

from sim.design import load_design
from targets import load_target
from tests.cli.command import AIR_SAMPLER, Command

COMMANDS = {
    "run": ("run", AIR_SAMPLER),
    "compare": ("compare", AIR_SAMPLER, "--vary", "firmware.target=all"),
    "check": ("check", "step_trim", "--examples", "100"),
    "export": ("export", "step_trim", "--arithmetic", "i32", "--to", "out"),
    "cost": ("cost", "step_trim"),
}


@pytest.fixture
def chip(tickspin: Command) -> Path:
    """A target like m0 at half its clock, priced below all that ship."""
    assert tickspin("new", "--target", "my_chip").status == 0
    path = tickspin.folder / "my_chip.toml"
    text = path.read_text().replace("default_Hz = 48e6", "default_Hz = 24e6")
    path.write_text(text.replace("price_USD = 0.6\n", "price_USD = 0.01\n"))
    return path


def test_new_writes_a_target_that_runs_and_says_how(tickspin: Command) -> None:
    ended = tickspin("new", "--target", "my_chip", "--base", "avr5")
    assert ended.out == (
        "wrote my_chip.toml, with the numbers of avr5; edit it, then: tickspin run SCENARIO --target-file "
        "my_chip.toml\n"
    )
    assert load_target("my_chip.toml").core == load_target("avr5").core
    assert " on my_chip at 16 MHz" in tickspin("run", AIR_SAMPLER, "--target-file", "my_chip.toml").out


def test_new_target_does_not_overwrite(tickspin: Command, chip: Path) -> None:
    before = chip.read_bytes()
    ended = tickspin("new", "--target", "my_chip.toml")
    assert (ended.status, chip.read_bytes()) == (2, before)


# (words after `new`, part of the message)
BAD_NEW = [
    (("--target", "m0"), "--target: the name must not be that of a shipped target, found 'm0'"),
    (("--target", "a/b"), "--target: a target's name is letters"),
    (("--target", "my_chip", "--base", "m5"), "--base: the target must exist, found 'm5'"),
    (("spinner", "--base", "m0"), "--base: needs --target"),
    (("spinner", "--target", "my_chip"), "takes one of NAME, --law and --target, found several"),
    ((), "takes one of NAME, --law and --target, found none"),
]


@pytest.mark.parametrize(("words", "message"), BAD_NEW)
def test_new_refuses_what_it_cannot_write(tickspin: Command, words: tuple[str, ...], message: str) -> None:
    ended = tickspin("new", *words)
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert message in ended.err
    assert list(tickspin.folder.iterdir()) == []


def test_run_takes_the_file_and_keeps_the_timer_tick(tickspin: Command, chip: Path) -> None:
    """acc8 counts in ticks of 2 us; at 24 MHz prescaler 32 makes 1.33 us, 64 makes 2.67 us, which is nearer
    as a ratio."""
    run = json.loads(tickspin("run", AIR_SAMPLER, "--target-file", chip, "--json", "-").out)
    assert run["firmware"]["target"] == "my_chip"
    assert run["firmware"]["tick_s"] == pytest.approx(64 / 24e6, rel=1e-12)


def test_in_a_comparison_the_file_takes_part(tickspin: Command, chip: Path) -> None:
    ended = tickspin(*COMMANDS["compare"], "--target-file", chip, "--json", "c.json")
    rows = {row["name"]: row for row in json.loads((tickspin.folder / "c.json").read_text())["rows"]}
    assert rows["my_chip"]["price_USD"] == 0.01
    assert rows["acc8"]["prescaler"] == 8  # the scenario's own row stays as it was
    assert "my_chip is the cheapest that meets the requirement" in ended.out
    few = ("--vary", "firmware.target=m0,my_chip", "--price", "my_chip=9", "--json", "-")
    rows = json.loads(tickspin("compare", AIR_SAMPLER, *few, "--target-file", chip).out)["rows"]
    assert {row["name"]: row["price_USD"] for row in rows}["my_chip"] == 9.0


def test_check_cost_and_export_take_it(tickspin: Command, chip: Path) -> None:
    costs = json.loads(tickspin(*COMMANDS["cost"], "--target-file", chip, "--json", "-").out)
    assert costs["target"] == "my_chip"
    checked = json.loads(tickspin(*COMMANDS["check"], "--target-file", chip, "--json", "-").out)
    assert (checked["target"], checked["prescaler"]) == ("my_chip", 32)
    assert tickspin(*COMMANDS["export"], "--target-file", chip).status == 0
    assert "750000 Hz" in (tickspin.folder / "out" / "step_trim.h").read_text()  # 24 MHz / 32


def test_target_and_target_file_must_agree(tickspin: Command, chip: Path) -> None:
    agreed = tickspin(*COMMANDS["cost"], "--target-file", chip, "--target", "my_chip")
    assert agreed.out.startswith("step_trim in i32 on my_chip\n")
    ended = tickspin(*COMMANDS["cost"], "--target-file", chip, "--target", "m3")
    assert (ended.status, ended.out) == (2, "")
    assert ended.err.startswith("tickspin: --target: must be my_chip, ")


def test_a_scenario_names_the_file_as_seen_from_its_folder_or_the_target(
    tickspin: Command, chip: Path
) -> None:
    folder = tickspin.folder / "designs"
    folder.mkdir()
    text = AIR_SAMPLER.read_text().replace("prescaler = 8", "prescaler = 64")
    (folder / "by_name.toml").write_text(text.replace('target = "acc8"', 'target = "my_chip"'))
    named = tickspin("run", "designs/by_name.toml", "--target-file", chip)
    assert " on my_chip at 24 MHz" in named.out
    assert "my_chip" in tickspin("run", "designs/by_name.toml").err
    chip.rename(folder / "chip.toml")
    (folder / "by_path.toml").write_text(text.replace('target = "acc8"', 'target = "chip.toml"'))
    assert Path(load_design(folder / "by_path.toml").firmware.target) == folder / "chip.toml"
    by_path = tickspin("run", "designs/by_path.toml")
    assert by_path.out.partition("Next:")[0] == named.out.partition("Next:")[0]
    rows = json.loads(
        tickspin("compare", "designs/by_path.toml", "--vary", "firmware.target=all", "--json", "-").out
    )["rows"]
    assert "my_chip" in {row["name"] for row in rows}


def test_keys_of_the_scenario_are_held_against_the_file(tickspin: Command, chip: Path) -> None:
    text = AIR_SAMPLER.read_text().replace('target = "acc8"', 'target = "my_chip.toml"\nclock_Hz = 96e6')
    scenario = tickspin.folder / "fast.toml"
    scenario.write_text(text)
    ended = tickspin("run", scenario)
    assert ended.err.count("\n") == 1
    assert 'firmware.clock_Hz: must be a clock that target "my_chip" can run at' in ended.err
    chip.write_text(chip.read_text().replace("width_bits = 16", 'width_bits = "16"'))
    ended = tickspin("run", scenario)  # the scenario's own fault cannot be told then
    assert ended.err.count("\n") == 2
    assert "my_chip.toml: step_timer.width_bits: " in ended.err
    assert "my_chip.toml: pwm.width_bits: " in ended.err


# (what is done to the file, replaced, replacement, part of each line of the message)
BROKEN = [
    ("gap", "i32_div     = { cycles = [21, 132, 264], bytes = 4, routine = \"__aeabi_idiv\" }\n", "",
     ["costs: every operation must be priced, found no row for i32_div; add them"]),
    ("contradiction", "low_Hz = 1e6", "low_Hz = 90e6",
     ["clock: low_Hz <= default_Hz <= high_Hz must hold, found 9e+07, 2.4e+07, 4.8e+07"]),
    ("cost without source", "[costs.divide]\nsource", "[costs.divide]\norigin",
     ["costs.divide.origin", "costs.divide.origin: a cost key must be one of", "costs.divide.source: "]),
    ("unknown key", "ram_bytes = 4096", "ram_bytes = 4096\nrom_bytes = 1",
     ["memory.rom_bytes: no key of this name is known here, found 1; remove it or correct its spelling"]),
    ("no TOML", "[memory]", "[memory", ["the file must be TOML in UTF-8"]),
    ("name of a shipped target", 'name = "my_chip"', 'name = "m3"',
     ["name: the name must not be that of a shipped target, found 'm3'; call it my_m3"]),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "parts"), [row[1:] for row in BROKEN], ids=[row[0] for row in BROKEN])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_broken_file_is_one_line_per_fault_and_no_file(
    tickspin: Command, chip: Path, command: str, old: str, new: str, parts: list[str]
) -> None:
    text = chip.read_text()
    assert text.count(old) == 1
    chip.write_text(text.replace(old, new))
    ended = tickspin(*COMMANDS[command], "--target-file", chip, "--json", "out.json")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", len(parts))
    assert all(line.startswith("tickspin: ") and "; " in line for line in ended.err.splitlines())
    assert all(part in ended.err for part in parts)
    assert [path.name for path in tickspin.folder.iterdir()] == ["my_chip.toml"]


@pytest.mark.parametrize(
    ("name", "message"),
    [("nowhere.toml", "the file must be readable"), ("chip.txt", "--target-file: must be a .toml file")],
)
def test_a_file_that_is_none(tickspin: Command, name: str, message: str) -> None:
    ended = tickspin("run", AIR_SAMPLER, "--target-file", name)
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert message in ended.err


@pytest.mark.parametrize("words", [("run",), ("check", "step_trim", "--scenario"), ("compare",)])
def test_a_target_file_is_no_scenario(tickspin: Command, chip: Path, words: tuple[str, ...]) -> None:
    ended = tickspin(*words, chip.name, *(("--vary", "firmware.target=m0") if words == ("compare",) else ()))
    assert (ended.status, ended.out) == (2, "")
    assert ended.err == (
        "tickspin: my_chip.toml: must hold a scenario, found the data file of a target; "
        "give a scenario, and this file with --target-file my_chip.toml\n"
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_a_scenario_is_no_target_file(tickspin: Command, command: str) -> None:
    tickspin("new", "spinner")
    ended = tickspin(*COMMANDS[command], "--target-file", "spinner.toml")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert ended.err.startswith("tickspin: spinner.toml: the file must hold a target, found a scenario; ")


def test_run_on_another_target_is_the_row_of_a_comparison(tickspin: Command, chip: Path) -> None:
    words = ("--vary", "firmware.target=avr5,my_chip", "--target-file", chip, "--json", "-")
    rows = {row["name"]: row for row in json.loads(tickspin("compare", AIR_SAMPLER, *words).out)["rows"]}
    named = json.loads(tickspin("run", AIR_SAMPLER, "--target", "avr5", "--json", "-").out)
    assert named["firmware"]["target"] == "avr5"
    assert named["verdict"]["settled_rpm"] == rows["avr5"]["settled_rpm"]
    agreed = ("--target", "my_chip", "--target-file", chip, "--json", "-")
    own = json.loads(tickspin("run", AIR_SAMPLER, *agreed).out)
    assert own["verdict"]["settled_rpm"] == rows["my_chip"]["settled_rpm"]


def test_run_refuses_a_target_that_is_none(tickspin: Command) -> None:
    ended = tickspin("run", AIR_SAMPLER, "--target", "m00")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert ended.err.startswith("tickspin: --target: must be the name of a shipped target or a .toml file")


def test_two_files_with_one_name(tickspin: Command, chip: Path) -> None:
    (tickspin.folder / "copy.toml").write_bytes(chip.read_bytes())
    ended = tickspin(*COMMANDS["compare"], "--target-file", chip, "--target-file", "copy.toml")
    assert (ended.status, ended.err.count("\n")) == (2, 1)
    assert "must give each target a name of its own" in ended.err


def test_a_file_that_is_not_compared_is_said(tickspin: Command, chip: Path) -> None:
    ended = tickspin("compare", AIR_SAMPLER, "--vary", "firmware.target=m0,m3", "--target-file", chip)
    assert (ended.status, ended.err.count("\n")) == (2, 1)
    assert "--target-file: must be compared, found my_chip" in ended.err


def test_one_file_named_twice_is_one_row(tickspin: Command, chip: Path) -> None:
    scenario = tickspin.folder / "own.toml"
    text = AIR_SAMPLER.read_text().replace("prescaler = 8", "prescaler = 64")
    scenario.write_text(text.replace('target = "acc8"', f'target = "{chip.name}"'))
    words = ("--vary", "firmware.target=all", "--target-file", f"./{chip.name}", "--json", "-")
    names = [row["name"] for row in json.loads(tickspin("compare", scenario, *words).out)["rows"]]
    assert names.count("my_chip") == 1
    assert len(names) == len(set(names))


@pytest.mark.parametrize("command", ["run", "compare", "check", "cost", "export"])
def test_a_target_without_capture_has_its_edges_read_by_software(
    tickspin: Command, chip: Path, command: str
) -> None:
    chip.write_text(chip.read_text().replace("capture = true", "capture = false"))
    assert tickspin(*COMMANDS[command], "--target-file", chip).status in (0, 1)


def test_a_file_name_cannot_break_a_message(tickspin: Command) -> None:
    ended = tickspin("run", AIR_SAMPLER, "--target-file", "no\nwhere.toml")
    assert ended.status == 2
    assert len(ended.err.splitlines()) == 1
