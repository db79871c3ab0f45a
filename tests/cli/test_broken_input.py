"""Bad input ends with status 2 and one message per fault, never with a traceback or a file left behind."""

from pathlib import Path

import pytest

from tests.cli.command import AIR_SAMPLER, Command, in_own_process
from tests.design.scenario_text import with_value
from tests.design.test_broken import BROKEN_FILES, BROKEN_VALUES, STEPS

# Faults that only show when the firmware is built: (key, its TOML, phrase).
LATE_FAULTS = [
    ("firmware.parameters", "{ nudge_s = 1e-6 }", "firmware.parameters.nudge_s"),
    ("firmware.parameters", "{ trim_s = -1.0 }", "firmware.parameters.trim_s"),
    ("firmware.parameters", "{ start_step_s = 0.9 }", "firmware.parameters.start_step_s"),
    ("firmware.arithmetic", '"i33"', "i33"),
    ("firmware.arithmetic", '"q9.9"', "the nearest is q6.9"),
    ("firmware.arithmetic", '"u32"', "is i8, i16, i32, f32, f64 or qM.N"),
    ("firmware.arithmetic", '"I32"', "is i8, i16, i32, f32, f64 or qM.N"),
    ("firmware.clock_Hz", "1.0e6", "drive.pwm_Hz"),
]


def refused(tickspin: Command, path: Path) -> str:
    """Run a bad scenario; returns the message after checking how the command ended."""
    before = sorted(tickspin.folder.iterdir())
    ended = tickspin("run", path, "--plot", "a.png", "--json", "a.json", "--csv", "a.csv")
    assert ended.status == 2
    assert ended.out == ""
    assert ended.err.startswith("tickspin: ")
    assert "Traceback" not in ended.err
    assert sorted(tickspin.folder.iterdir()) == before
    return ended.err


@pytest.mark.parametrize(("key", "value", "place", "phrase"), BROKEN_VALUES)
def test_a_broken_value(tickspin: Command, key: str, value: str | None, place: str, phrase: str) -> None:
    path = tickspin.folder / "broken.toml"
    path.write_text(with_value(key, value))
    message = refused(tickspin, path)
    assert place in message
    assert phrase in message
    assert message.count("\n") == message.count("tickspin: ")


@pytest.mark.parametrize(("key", "value", "phrase"), LATE_FAULTS)
def test_a_fault_that_shows_when_the_firmware_is_built(
    tickspin: Command, key: str, value: str, phrase: str
) -> None:
    path = tickspin.folder / "broken.toml"
    text = with_value(key, value)
    if key == "firmware.clock_Hz":
        text = text.replace("# pwm_Hz = 20000", "pwm_Hz = 200000")
    path.write_text(text)
    assert phrase in refused(tickspin, path)


# Arithmetic too narrow for a law: (law, arithmetic, what does not fit).
NARROW = [
    ("duty_pi", "i16", "number(hw.duty_top) * 256"),
    ("duty_pi", "i8", "a constant fits number (i8), found hw.duty_top"),
    ("step_trim", "i8", "lag_s fits number (i8), found 0.0008 = 400 counts"),
    ("step_trim", "q1.15", "trim_s fits number"),
]


@pytest.mark.parametrize(("law", "arithmetic", "phrase"), NARROW)
def test_an_arithmetic_too_narrow_for_the_law(
    tickspin: Command, law: str, arithmetic: str, phrase: str
) -> None:
    path = tickspin.folder / "narrow.toml"
    text = AIR_SAMPLER.read_text().replace('"step_trim"', f'"{law}"')
    path.write_text(text.replace('"i32"', f'"{arithmetic}"'))
    lines = refused(tickspin, path).splitlines()
    assert phrase in "\n".join(lines)
    # Below the message of a compiler's fault stand, indented, the source line and a caret.
    assert all(line.startswith(("tickspin: ", "    ")) for line in lines)
    shown = [line for line in lines if line.startswith("tickspin: ") and f"{law}.py:" in line]
    assert len([line for line in lines if set(line.strip()) == {"^"}]) == len(shown) > 0


def test_all_faults_of_the_parameters_are_in_one_answer(tickspin: Command) -> None:
    path = tickspin.folder / "broken.toml"
    path.write_text(
        with_value("firmware.parameters", "{ nudge_s = 1e-6, trim_s = -1.0, start_step_s = 0.9 }")
    )
    message = refused(tickspin, path)
    places = [line.split(": ")[2] for line in message.splitlines()]
    assert sorted(places) == [f"firmware.parameters.{key}" for key in ("nudge_s", "start_step_s", "trim_s")]
    assert "step_trim has catch_up_s, lag_s, lead_s, stall_steps, start_look_s, trim_s" in message


@pytest.mark.parametrize(("steps", "place", "phrase"), STEPS)
def test_broken_steps(tickspin: Command, steps: str, place: str, phrase: str) -> None:
    path = tickspin.folder / "broken.toml"
    path.write_text(with_value("command.steps", steps).replace("\nspeed_rpm = 10000\n", "\n"))
    message = refused(tickspin, path)
    assert f"tickspin: {path}: {place}: " in message
    assert phrase in message


@pytest.mark.parametrize(
    ("content", "position", "phrase"), [row[1:] for row in BROKEN_FILES], ids=[r[0] for r in BROKEN_FILES]
)
def test_a_broken_file(tickspin: Command, content: bytes, position: str, phrase: str) -> None:
    path = tickspin.folder / "broken.toml"
    path.write_bytes(content)
    message = refused(tickspin, path)
    assert message.startswith(f"tickspin: {path}{position}")
    assert phrase in message
    assert message.count("\n") == 1


@pytest.mark.parametrize(
    "content",
    [b"", b"\x00\xff\xfe binary", b"\x7fELF\x02\x01\x01", b"[motor", b"a = \n", b"{}" * 9, b"[[motor]]\n"],
)
def test_a_file_that_is_no_scenario(tickspin: Command, content: bytes) -> None:
    path = tickspin.folder / "broken.toml"
    path.write_bytes(content)
    refused(tickspin, path)


def test_a_missing_file_and_a_folder(tickspin: Command) -> None:
    assert "must be an existing file" in refused(tickspin, Path("absent.toml"))
    assert "a folder" in refused(tickspin, tickspin.folder)


def test_every_fault_of_a_file_is_in_one_answer(tickspin: Command) -> None:
    path = tickspin.folder / "broken.toml"
    text = AIR_SAMPLER.read_text().replace("pole_pairs = 2", "pole_pairs = 0")
    path.write_text(text.replace("supply_V = 5.0", "supply_V = nan").replace('"acc8"', '"abc8"'))
    message = refused(tickspin, path)
    for place in ("motor.pole_pairs", "drive.supply_V", "firmware.target"):
        assert f"tickspin: {path}: {place}: " in message


def test_a_broken_scenario_in_a_process_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text(with_value("firmware.parameters", "{ nudge_s = 1e-6 }"))
    ended = in_own_process(tmp_path, "run", "broken.toml", "--json", "a.json")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert ended.err.startswith("tickspin: broken.toml: firmware.parameters.nudge_s: ")
    assert [path.name for path in tmp_path.iterdir()] == ["broken.toml"]


def test_a_process_of_its_own_shows_no_traceback_either(tmp_path: Path) -> None:
    ended = in_own_process(tmp_path, "run", "absent.toml")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)


WRONG_WORDS = [
    ["fly"],
    ["--fast"],
    ["run"],
    ["new", "a", "b"],
    ["run", "a.toml", "b.toml"],
    ["run", "a.toml", "--fast"],
    ["run", "a.toml", "--plot"],
    ["targets", "extra"],
    ["controllers", "--csv", "a.csv"],
]


# (words, the option and how often it stands there)
TWICE = [
    (["run", AIR_SAMPLER, "--law", "duty_pi", "--law", "step_trim"], "--law: must be given once, found it 2"),
    (["run", AIR_SAMPLER, "--json", "a.json", "--json=a.json"], "--json: must be given once, found it 2"),
    (["check", "step_trim", "--seed", "1", "--seed", "2", "--seed=3"], "--seed: must be given once"),
    (["export", "step_trim", "--to", "a", "--set", "motor.pole_pairs=2", "--set", "motor.pole_pairs=3"],
     "--set motor.pole_pairs: must be given once, found motor.pole_pairs=3"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "message"), TWICE)
def test_what_counts_once_is_given_once(tickspin: Command, words: list[str | Path], message: str) -> None:
    ended = tickspin(*words)
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert ended.err.startswith(f"tickspin: {message}")
    assert list(tickspin.folder.iterdir()) == []


@pytest.mark.parametrize("words", WRONG_WORDS)
def test_a_wrong_command_line(tickspin: Command, words: list[str]) -> None:
    ended = tickspin(*words)
    assert (ended.status, ended.out) == (2, "")
    assert "Error" in ended.err
    assert "Traceback" not in ended.err
