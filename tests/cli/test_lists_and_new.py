"""`tickspin new`, `targets`, `controllers`, and the help."""

import json

import pytest

from controllers import describe_laws, law_names
from sim.design import load_design
from targets import load_target, target_names
from tests.cli.command import Command


def test_new_writes_a_scenario_that_runs_and_does_not_overwrite_it(tickspin: Command) -> None:
    assert tickspin("new", "spinner").status == 0
    written = (tickspin.folder / "spinner.toml").read_text()
    assert tickspin("run", "spinner.toml").status in (0, 1)
    ended = tickspin("new", "spinner")
    assert ended.status == 2
    assert ended.err.startswith("tickspin: ")
    assert (tickspin.folder / "spinner.toml").read_text() == written


# (NAME as typed, file written, name of the design in it)
NAMES = [
    ("spinner.toml", "spinner.toml", "spinner"),
    ("my motor", "my motor.toml", "my motor"),
    ("folder/spinner", "folder/spinner.toml", "spinner"),
    ("v1.2", "v1.2.toml", "v1.2"),
    ("lüfter", "lüfter.toml", "lüfter"),
    ('say "hi"', 'say "hi".toml', 'say "hi"'),
    ("back\\slash", "back\\slash.toml", "back\\slash"),
]


@pytest.mark.parametrize(("name", "file", "design"), NAMES)
def test_new_takes_odd_names(tickspin: Command, name: str, file: str, design: str) -> None:
    (tickspin.folder / "folder").mkdir()
    ended = tickspin("new", name)
    assert (ended.status, ended.err) == (0, "")
    assert ended.out.startswith(f"wrote {file};")
    assert load_design(tickspin.folder / file).name == design
    before = (tickspin.folder / file).read_bytes()
    assert tickspin("new", name).status == 2
    assert (tickspin.folder / file).read_bytes() == before


@pytest.mark.parametrize("name", ["", ".", "..", ".toml", "nowhere/spinner", "two\nlines", "n" * 81])
def test_new_refuses_a_name_it_cannot_write(tickspin: Command, name: str) -> None:
    ended = tickspin("new", name)
    assert ended.status == 2
    assert ended.err.startswith("tickspin: ")
    assert ended.err.count("\n") == 1
    assert list(tickspin.folder.iterdir()) == []


def test_targets_lists_all_that_ship(tickspin: Command) -> None:
    ended = tickspin("targets")
    assert ended.status == 0
    table, _, legend = ended.out.partition("\n\n")
    assert [line.split()[0] for line in table.splitlines()[1:]] == target_names()
    assert "indicative" in legend
    rows = json.loads(tickspin("targets", "--json", "-").out)["targets"]
    assert [row["name"] for row in rows] == target_names()
    for row in rows:
        target = load_target(row["name"])
        assert row["flash_bytes"] == target.memory.flash_bytes
        assert row["clock_Hz"] == target.clock.default_Hz
        assert set(row["usual_clocks_Hz"]) == {target.clock.default_Hz, *target.clock.other_usual_Hz}
        assert row["price_USD"] == target.price_USD
        assert row["floating_point_unit"] == target.floating_point_unit


def test_a_row_of_the_table_says_what_a_builder_chooses_by(tickspin: Command) -> None:
    rows = {line.split()[0]: line for line in tickspin("targets").out.splitlines() if line}
    assert rows["name"].split() == [
        "name", "USD", "MHz", "up", "to", "off", "by", "flash", "RAM", "FPU", "timer", "division",
    ]  # fmt: skip
    shown = " ".join(rows["acc8"].split())
    assert shown.startswith("acc8 0.55 16 or 32 32 3 % 2 KB 128 bytes none 16 bit 4,228 8-bit")
    assert " f32 " in rows["m4f"]
    assert len({line.find("bit  ") for line in rows.values() if "bit  " in line}) == 1  # columns are columns


def test_controllers_lists_all_that_ship(tickspin: Command) -> None:
    ended = tickspin("controllers")
    assert ended.status == 0
    assert [line.split(":")[0] for line in ended.out.splitlines() if line[0] != " "] == law_names()
    rows = json.loads(tickspin("controllers", "--json", "-").out)["controllers"]
    assert [row["name"] for row in rows] == law_names()
    keys = {law.name: [parameter.key for parameter in law.parameters] for law in describe_laws()}
    assert {row["name"]: [p["key"] for p in row["parameters"]] for row in rows} == keys
    assert all(key in ended.out for law in keys.values() for key in law)


@pytest.mark.parametrize("command", ["targets", "controllers"])
def test_a_list_goes_into_a_file_as_well(tickspin: Command, command: str) -> None:
    assert tickspin(command, "--json", "list.json").out == tickspin(command).out
    written = (tickspin.folder / "list.json").read_text()
    assert written == tickspin(command, "--json", "-").out
    assert set(json.loads(written)) == {command}
    ended = tickspin(command, "--json", "nowhere/list.json")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)


def test_no_words_at_all_print_the_help(tickspin: Command) -> None:
    ended = tickspin()
    assert "Usage" in ended.out
    assert "Traceback" not in ended.err
    assert ended.out.strip() == tickspin("--help").out.strip()


def test_the_help_names_every_command(tickspin: Command) -> None:
    shown = tickspin("--help").out
    assert all(command in shown for command in ("run", "export", "new", "targets", "controllers"))


@pytest.mark.parametrize("command", ["run", "export", "new", "targets", "controllers"])
def test_help(tickspin: Command, command: str) -> None:
    ended = tickspin(command, "--help")
    assert ended.status == 0
    assert "Usage" in ended.out
