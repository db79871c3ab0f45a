"""`tickspin cost`."""

import json
import shutil
from importlib.util import find_spec

import pytest

from tests.cli.command import Command


def test_prediction_of_a_law_is_shown_with_its_largest_parts(tickspin: Command) -> None:
    ended = tickspin("cost", "step_trim", "--arithmetic", "i32", "--target", "m0")
    assert (ended.status, ended.err) == (0, "")
    assert ended.out.startswith("step_trim in i32 on m0\n")
    assert "measured" not in ended.out
    for name in ("on_start", "on_hall_edge", "on_step_timer", "__aeabi_uidiv"):
        assert name in ended.out


def test_numbers_are_ordered_and_add_up(tickspin: Command) -> None:
    written = json.loads(tickspin("cost", "duty_pi", "--target", "avr5", "--json", "-").out)
    assert written["arithmetic"] == "i32"
    assert sum(written["flash_parts"].values()) == written["flash_bytes"]
    for cycles in written["handlers"].values():
        assert 0 < cycles["min"] <= cycles["typical"] <= cycles["max"]
    assert written["measured"] is None


def test_json_file_and_text_together(tickspin: Command) -> None:
    ended = tickspin("cost", "open_ramp", "--json", "cost.json")
    assert ended.out.startswith("open_ramp in i32 on m0")
    assert json.loads((tickspin.folder / "cost.json").read_text())["law"] == "open_ramp"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("nothing",), "LAW: is a shipped law or a law file, found nothing"),
        (
            ("step_trim", "--target", "acc8", "--measure"),
            "--measure: needs a target whose core can be emulated, found acc8; these can be measured: "
            "avr25, avr5, m0, m0plus, m3, m4f, rv32ec, rv32imc",
        ),
        (("step_trim", "--arithmetic", "i31"), "--arithmetic: is i8"),
        (("step_trim", "--target", "m9"), "--target: must be the name of a shipped target"),
        (("step_trim", "--json", "nowhere/cost.json"), "must lie in an existing folder"),
    ],
)
def test_what_cannot_be_done_is_one_message(tickspin: Command, words: tuple[str, ...], message: str) -> None:
    ended = tickspin("cost", *words)
    assert (ended.status, ended.out) == (2, "")
    assert ended.err.startswith("tickspin: ")
    assert message in ended.err


def test_without_the_compiler_its_package_is_named(
    tickspin: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", "")
    ended = tickspin("cost", "open_ramp", "--target", "avr5", "--measure")
    assert ended.status == 2
    assert "found no avr-gcc; install it (Debian: apt-get install gcc-avr avr-libc)" in ended.err


@pytest.mark.skipif(
    shutil.which("avr-gcc") is None or find_spec("elftools") is None,
    reason="avr-gcc or pyelftools is missing",
)
def test_measured_stands_beside_predicted(tickspin: Command) -> None:
    ended = tickspin("cost", "open_ramp", "--target", "avr5", "--measure", "--json", "cost.json")
    assert ended.status == 0
    assert "every value as in the simulation" in ended.out
    measured = json.loads((tickspin.folder / "cost.json").read_text())["measured"]
    assert measured["wrong"] == 0
    for cycles in measured["handlers"].values():
        assert 0 < cycles["fastest"] <= cycles["mean"] <= cycles["slowest"]
