"""`tickspin new`, `targets`, `controllers`, and the help."""

import json

import pytest

from controllers import law_names
from targets import target_names
from tests.cli.command import Command


def test_new_writes_a_scenario_that_runs_and_does_not_overwrite_it(tickspin: Command) -> None:
    assert tickspin("new", "spinner").status == 0
    written = (tickspin.folder / "spinner.toml").read_text()
    assert tickspin("run", "spinner.toml").status in (0, 1)
    ended = tickspin("new", "spinner")
    assert ended.status == 2
    assert ended.err.startswith("tickspin: ")
    assert (tickspin.folder / "spinner.toml").read_text() == written


@pytest.mark.parametrize("name", ["", "nowhere/spinner", "."])
def test_new_refuses_a_name_it_cannot_write(tickspin: Command, name: str) -> None:
    ended = tickspin("new", name)
    assert ended.status == 2
    assert "Traceback" not in ended.err
    assert list(tickspin.folder.iterdir()) == []


def test_targets_lists_all_that_ship(tickspin: Command) -> None:
    ended = tickspin("targets")
    assert ended.status == 0
    assert [line.split()[0] for line in ended.out.splitlines()[1:]] == target_names()
    rows = json.loads(tickspin("targets", "--json", "-").out)["targets"]
    assert [row["name"] for row in rows] == target_names()


def test_controllers_lists_all_that_ship(tickspin: Command) -> None:
    ended = tickspin("controllers")
    assert ended.status == 0
    assert [line.split(":")[0] for line in ended.out.splitlines() if line[0] != " "] == law_names()
    rows = json.loads(tickspin("controllers", "--json", "-").out)["controllers"]
    assert [row["name"] for row in rows] == law_names()
    assert all(row["parameters"] for row in rows)


@pytest.mark.parametrize("words", [["--help"], ["run", "--help"], ["new", "--help"], ["targets", "--help"]])
def test_help(tickspin: Command, words: list[str]) -> None:
    ended = tickspin(*words)
    assert ended.status == 0
    assert "Usage" in ended.out
