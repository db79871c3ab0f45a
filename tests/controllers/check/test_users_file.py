"""A test file of a user, in a folder of its own, run by plain pytest; and what `testing` offers."""

import os
import subprocess
import sys
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from controllers.check import testing
from controllers.check.scenario import Scenario, edges, wait
from tests.controllers.check.support import LAWS

ROOT = Path(__file__).resolve().parents[3]
STEADY = testing.bench(LAWS / "steady.py", prescaler=64)

USERS_FILE = """
from hypothesis import given, settings
from controllers.check.testing import bench, call, scenarios, states

law = bench("my_law.py", target="m0", prescaler=64, arithmetic="i32")

@settings(deadline=None, max_examples=50)
@given(scenarios(law))
def test_the_duty_is_{word}_above_a_half(scenario):
    assert all(value {sign} law.hardware.duty_top // 2 for _, value in law.writes(scenario, "set_duty"))

@settings(deadline=None)
@given(states(law))
def test_the_start_sets_step_0_from_any_state(state):
    assert ("set_step", 0) in call(law, "on_start", state).writes
"""


def pytest_in(folder: Path, word: str, sign: str) -> "subprocess.CompletedProcess[str]":
    (folder / "my_law.py").write_text((LAWS / "steady.py").read_text())
    (folder / "test_mine.py").write_text(USERS_FILE.format(word=word, sign=sign))
    # what an installed tickspin needs no help for: to be found
    paths = os.pathsep.join([*os.environ.get("PYTHONPATH", "").split(os.pathsep), str(ROOT)])
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider"]
    return subprocess.run(
        command,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_users_file_in_an_empty_folder_runs_with_plain_pytest(tmp_path: Path) -> None:
    ended = pytest_in(tmp_path, "sometimes", ">= 0 *")
    assert (ended.returncode, "2 passed" in ended.stdout) == (0, True), ended.stdout + ended.stderr


def test_a_users_property_that_does_not_hold_fails_with_a_scenario(tmp_path: Path) -> None:
    ended = pytest_in(tmp_path, "never", "<")
    assert ended.returncode == 1
    assert "1 failed, 1 passed" in ended.stdout
    assert "scenario=Scenario(" in ended.stdout


def test_writes_are_those_of_the_log() -> None:
    scenario = Scenario(command_rpm=1000, events=(edges(20000, 3), wait(9000)))
    duties = STEADY.writes(scenario, "set_duty")
    assert duties[0][1] == STEADY.hardware.duty_top // 2
    assert [cycle for cycle, _ in duties] == sorted(cycle for cycle, _ in duties)
    assert {value for _, value in STEADY.writes(scenario, "set_step")} == set(range(6))


@settings(max_examples=30)
@given(state=testing.states(STEADY), captured=st.integers(0, 65535))
def test_a_call_is_what_the_law_says(state: dict[str, int], captured: int) -> None:
    done = testing.call(STEADY, "on_hall_edge", state, [captured, captured])
    assert done.state["last_edge"] == captured
    assert done.state["room"] == 65535
    assert done.writes[0] == ("set_step", 0)
    assert done.writes[1][0] == "set_compare"
    assert not done.is_faulty


@settings(max_examples=30)
@given(event=testing.events(STEADY))
def test_one_event_makes_a_scenario(event: tuple[int, int, int, int]) -> None:
    assert STEADY.play(Scenario(events=(event,))).found("overflow") == 0
