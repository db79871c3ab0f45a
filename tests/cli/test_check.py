"""`tickspin check`: exit status, text, JSON, bad input."""

import json
from pathlib import Path

import pytest

from tests.cli.command import AIR_SAMPLER
from tests.cli.conftest import Command

LAWS = Path(__file__).resolve().parents[1] / "controllers" / "check"
BROKEN, STEADY = LAWS / "broken" / "late_compare.py", LAWS / "laws" / "steady.py"
FEW = ("--examples", "500")


def test_a_counterexample_gives_status_1_and_is_shown_whole(tickspin: Command) -> None:
    ended = tickspin("check", BROKEN, "--prescaler", "1", *FEW)
    assert ended.status == 1
    for part in (
        "COUNTEREXAMPLE", "FAILS  compare", "compare: line 25, in on_hall_edge",
        "hw.set_compare(wrap_add(edge, self.LEAD))", "expected  no handler leaves a compare in the past",
        "a Hall edge after 1 ticks", "reads     captured 1", "C test vector", "struct vector vector",
    ):  # fmt: skip
        assert part in ended.out


def test_a_law_that_holds_gives_status_0(tickspin: Command) -> None:
    ended = tickspin("check", STEADY, *FEW, "--lost", "lost.toml")
    assert (ended.status, ended.err) == (0, "tickspin: lost.toml is not written: no spin-up was lost\n")
    assert list(tickspin.folder.iterdir()) == []
    assert "no counterexample found." in ended.out
    assert "Branches:" in ended.out


def test_json_on_the_screen_is_json_alone_and_the_same_every_time(tickspin: Command) -> None:
    first, again = (tickspin("check", BROKEN, "--prescaler", "1", "--json", "-", *FEW) for _ in range(2))
    assert first.out == again.out
    answer = json.loads(first.out)
    assert (first.status, answer["holds"], answer["target"], answer["prescaler"]) == (1, False, "m0", 1)
    failed = [row for row in answer["properties"] if row["outcome"] == "fails"]
    assert "compare" in {row["name"] for row in failed}
    keys = {"handler", "place", "text", "events", "state", "inputs", "outputs", "expected", "found", "vector"}
    assert all(set(row["counterexample"]) == keys for row in failed)
    assert set(answer["spin_ups"]) >= {"spin_ups", "recovered", "lost_with", "reason"}


def test_a_scenario_gives_timer_and_motor(tickspin: Command) -> None:
    """Its tick of 2 us is kept: prescaler 128 makes 2.67 us at 48 MHz, nearer as a ratio than 1.33 us."""
    ended = tickspin("check", STEADY, "--scenario", AIR_SAMPLER, "--target", "m0", "--json", "a.json", *FEW)
    answer = json.loads((tickspin.folder / "a.json").read_text())
    assert ended.status in (0, 1)
    assert (answer["target"], answer["prescaler"], answer["arithmetic"]) == ("m0", 128, "i32")


def test_a_lost_spin_up_can_be_run_again(tickspin: Command) -> None:
    """Keys are printed, and the scenario that is written shows the fall in `tickspin run`."""
    tickspin("new", "own")
    words = ("check", LAWS / "laws" / "stays_down.py", "--scenario", "own.toml", "--examples", "10000")
    ended = tickspin(*words, "--lost", "lost.toml")
    assert ended.status == 1
    assert "  FAILS  synchronism lost" in ended.out
    assert "        command.duration_s = 4\n" in ended.out
    run = tickspin("run", "lost.toml")
    assert run.status == 1
    assert "then falls back to" in run.out
    refused = tickspin(*words, "--lost", "lost.toml")
    assert (refused.status, refused.out) == (2, "")
    assert "--lost: must not replace a scenario" in refused.err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["no_such_law"], "tickspin: LAW: is a shipped law or a law file, found no_such_law"),
        ([str(STEADY), "--target", "no_such_chip"], "tickspin: --target: must be the name of a shipped"),
        ([str(STEADY), "--arithmetic", "i7"], "tickspin: --arithmetic: is i8"),
        ([str(STEADY), "--prescaler", "7"], "tickspin: --prescaler: must be a prescaler"),
        ([str(STEADY), "--scenario", "nowhere.toml"], "nowhere.toml"),
        ([str(STEADY), "--json", "nowhere/a.json"], "must lie in an existing folder"),
    ],
)
def test_bad_input_gives_status_2_and_one_line(tickspin: Command, arguments: list[str], message: str) -> None:
    ended = tickspin("check", *arguments)
    assert (ended.status, ended.out) == (2, "")
    assert message in ended.err
    assert "Traceback" not in ended.err
    assert list(tickspin.folder.iterdir()) == []


def test_without_a_scenario_a_law_gets_the_sensors_it_is_written_for(tickspin: Command) -> None:
    answer = json.loads(tickspin("check", "duty_pi_three", "--json", "-", *FEW).out)
    assert answer["spin_ups"]["reason"] == ""
    assert answer["spin_ups"]["spin_ups"] > 0


def test_what_analysis_proves_stands_beside_what_was_tried(tickspin: Command) -> None:
    words = ("check", "step_trim", "--examples", "100")
    text, answer = tickspin(*words).out, json.loads(tickspin(*words, "--json", "-").out)
    proofs = answer["proofs"]
    longest = {path["name"]: path for path in proofs["longest_paths"]}
    assert (
        f"on_hall_edge, {longest['on_hall_edge']['cycles']} clocks: {longest['on_hall_edge']['places'][0]}"
        in text
    )
    assert all(verdict["proved"] for verdict in proofs["verdicts"])
    assert "  excluded        division by zero 1 of 1" in text
    # -lag_s .. lead_s, 0.8 ms and 10 us, in ticks of 1.333 us
    assert "  variable        trim, i32: -600 to 8, i16 would do" in text
    assert (proofs["torn"], "no access that an interrupt can tear" in text) == ([], True)


TEARING = '''from controllers.dialect import Law, hw, u16, var


class Tearing(Law):
    """Divides by what an interrupt may have set to 0, two bytes of it at a time."""

    a = var(u16, 1)
    b = var(u16, 0)

    def on_start(self) -> None:
        self.b = 0

    def on_hall_edge(self) -> None:
        self.b = 1000 // self.a

    def on_step_timer(self) -> None:
        self.a = hw.command_rpm()
'''


def test_a_doubt_and_a_torn_read_are_named(tickspin: Command) -> None:
    (tickspin.folder / "tearing.py").write_text(TEARING)
    text = AIR_SAMPLER.read_text().replace('target = "acc8"', 'target = "mcs51"')
    text = text.replace('structure = "interrupt"', 'structure = "nested"')
    (tickspin.folder / "own.toml").write_text(text.replace("prescaler = 8", "prescaler = 1"))
    ended = tickspin("check", "tearing.py", "--scenario", "own.toml", "--examples", "100")
    assert ended.err == ""
    words = " ".join(ended.out.split())
    assert "not excluded line 14: division by zero POSSIBLE" in words
    assert "shared torn read of a (u16) in on_hall_edge, line 14: on_step_timer may come in between" in words
