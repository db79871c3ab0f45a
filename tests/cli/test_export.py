"""`tickspin export`."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from controllers import law_path
from tests.cli.command import AIR_SAMPLER, Command

NAMES = ["open_ramp.c", "open_ramp.h", "replay.c", "vectors.csv"]


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def header(folder: Path, law: str = "open_ramp") -> str:
    return (folder / f"{law}.h").read_text()


def test_the_files_build_a_program_that_replays_every_vector(tickspin: Command) -> None:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: nothing to compile with")
    ended = tickspin("export", "step_trim", "--arithmetic", "i32", "--to", "out", "--vectors", "50")
    assert ended.status == 0
    sources = ["out/replay.c", "out/step_trim.c"]
    subprocess.run(["gcc", "-std=c99", *sources, "-o", "replay"], cwd=tickspin.folder, check=True)
    played = subprocess.run(["./replay"], cwd=tickspin.folder, capture_output=True, text=True, check=False)
    assert (played.returncode, played.stdout) == (0, "50 vectors match\n")


def test_json_lists_the_files(tickspin: Command) -> None:
    ended = tickspin("export", "open_ramp", "--arithmetic", "q15.16", "--to", "out", "--json", "-")
    listing = json.loads(ended.out)
    assert (listing["law"], listing["arithmetic"], listing["folder"]) == ("open_ramp", "q15.16", "out")
    assert sorted(row["name"] for row in listing["files"]) == NAMES == names_in(tickspin.folder / "out")
    for row in listing["files"]:
        assert (tickspin.folder / row["path"]).stat().st_size == row["bytes"]
    assert tickspin("export", "open_ramp", "--arithmetic", "i16", "--to", "out", "--json", "l.json").out
    assert json.loads((tickspin.folder / "l.json").read_text())["arithmetic"] == "i16"


def test_the_scenario_gives_the_binding_and_its_own_law_the_parameters(tickspin: Command) -> None:
    text = AIR_SAMPLER.read_text()
    own = text.replace("control_period_s", "parameters = { trim_s = 3e-6 }\ncontrol_period_s")
    (tickspin.folder / "own.toml").write_text(own)
    assert tickspin("export", "step_trim", "--scenario", "own.toml", "--to", "a").status == 0
    assert tickspin("export", "open_ramp", "--scenario", "own.toml", "--to", "b").status == 0
    assert "arithmetic: i32" in header(tickspin.folder / "a", "step_trim")
    assert "step timer: 16 bits, 500000 Hz, one tick 2 us" in header(tickspin.folder / "a", "step_trim")
    assert "trim_s = 3e-06" in header(tickspin.folder / "a", "step_trim")
    assert "trim_s = 3e-06" not in header(tickspin.folder / "b")


def test_options_change_the_binding(tickspin: Command) -> None:
    words = ["--target", "m0", "--prescaler", "64", "--set", "motor.pole_pairs=3"]
    words += ["--set", "firmware.parameters.trim_s=7e-6"]
    assert tickspin("export", "open_ramp", "--arithmetic", "f32", "--to", "out", *words).status == 0
    text = header(tickspin.folder / "out")
    for part in ("arithmetic: f32", "750000 Hz", "pole pairs: 3", "trim_s = 7e-06"):
        assert part in text
    assert tickspin("export", "open_ramp", "--arithmetic", "f32", "--to", "other").status == 0
    assert "pole pairs: 2" in header(tickspin.folder / "other")


def test_what_a_scenario_idealises_is_not_exported(tickspin: Command) -> None:
    text = AIR_SAMPLER.read_text()
    ideal = text.replace("control_period_s", 'idealise = ["tick", "rounding"]\ncontrol_period_s')
    (tickspin.folder / "ideal.toml").write_text(ideal)
    assert tickspin("export", "step_trim", "--scenario", "ideal.toml", "--to", "a").status == 0
    assert tickspin("export", "step_trim", "--scenario", AIR_SAMPLER, "--to", "b").status == 0
    assert header(tickspin.folder / "a", "step_trim") == header(tickspin.folder / "b", "step_trim")


def test_a_law_file_of_ones_own(tickspin: Command) -> None:
    own = law_path("open_ramp").read_text().replace("class OpenRamp", "class Mine")
    (tickspin.folder / "mine.py").write_text(own)
    assert tickspin("export", "mine.py", "--arithmetic", "i16", "--to", "out").status == 0
    assert names_in(tickspin.folder / "out") == ["mine.c", "mine.h", "replay.c", "vectors.csv"]


def test_another_export_takes_the_place_of_the_first(tickspin: Command) -> None:
    """Left-over sources of another law would not link."""
    out = tickspin.folder / "out"
    first = tickspin("export", "step_trim", "--arithmetic", "i32", "--to", "out")
    assert first.out.startswith("out: 4 files written (")
    (out / "replay").write_text("what somebody compiled")
    second = tickspin("export", "open_ramp", "--arithmetic", "i32", "--to", "out")
    said = "out: 2 files written, 2 files replaced, 2 files of an earlier export removed ("
    assert second.out.startswith(said)
    assert names_in(out) == sorted([*NAMES, "replay"])


@pytest.mark.parametrize("name", ["main.c", "open_ramp.h", "vectors.csv"])
def test_files_of_somebody_else_are_left_alone(tickspin: Command, name: str) -> None:
    out = tickspin.folder / "out"
    out.mkdir()
    (out / name).write_text("int main(void) { return 0; }\n")
    ended = tickspin("export", "open_ramp", "--arithmetic", "i32", "--to", "out")
    assert (ended.status, ended.err.count("\n")) == (2, 1)
    assert "not ours; move it away or choose another folder" in ended.err
    assert names_in(out) == [name]


# (words after `export`, part of the message)
BAD = [
    (["open_ramp", "--arithmetic", "i33", "--to", "out"], "tickspin: --arithmetic: is i8"),
    (["nothing", "--arithmetic", "i32", "--to", "out"], "tickspin: LAW: is a shipped law"),
    (["nothing.py", "--arithmetic", "i32", "--to", "out"], "nothing.py"),
    (["open_ramp", "--arithmetic", "i32", "--to", "no/where"], "existing folder"),
    (["open_ramp", "--arithmetic", "i32", "--to", "file"], "which is a file"),
    (["open_ramp", "--arithmetic", "i32", "--to", "n" * 300], "--to"),
    (["open_ramp", "--arithmetic", "i32", "--to", "out", "--set", "x"], "KEY=VALUE"),
    (["open_ramp", "--arithmetic", "i32", "--to", "out", "--set", "a.b=1"], "--set a.b: must be a key"),
    (
        ["open_ramp", "--arithmetic", "i32", "--to", "out", "--prescaler", "7"],
        "tickspin: --prescaler: must be a",
    ),
    (["open_ramp", "--arithmetic", "i32", "--to", "out", "--target", "m99"], "tickspin: --target: must be"),
    (["open_ramp", "--arithmetic", "i32", "--to", "out", "--scenario", "none.toml"], "none.toml"),
    (["open_ramp", "--arithmetic", "i32", "--to", "out", "--json", "no/where.json"], "existing folder"),
    (["open_ramp", "--arithmetic", "q0.15", "--to", "out"], "trim_s fits number"),
]


@pytest.mark.parametrize(("words", "part"), BAD, ids=[" ".join(words)[:60] for words, _ in BAD])
def test_bad_input_writes_nothing(tickspin: Command, words: list[str], part: str) -> None:
    (tickspin.folder / "file").write_text("")
    before = names_in(tickspin.folder)
    ended = tickspin("export", *words)
    assert ended.status == 2
    assert ended.out == ""
    assert ended.err.startswith("tickspin: ")
    assert part in ended.err
    assert names_in(tickspin.folder) == before


@pytest.mark.parametrize("words", [["--vectors", "0"], ["--vectors", "1000001"], ["--seed", "-1"]])
def test_vectors_and_seed_have_a_range(tickspin: Command, words: list[str]) -> None:
    ended = tickspin("export", "open_ramp", "--arithmetic", "i32", "--to", "out", *words)
    assert ended.status == 2
    assert "Traceback" not in ended.err
    assert names_in(tickspin.folder) == []


@pytest.mark.parametrize(
    "key", ["firmware.law", "firmware.arithmetic", "firmware.target", "firmware.prescaler"]
)
def test_what_has_an_argument_is_not_set_twice(tickspin: Command, key: str) -> None:
    words = ["export", "step_trim", "--arithmetic", "i32", "--to", "out", "--set", f"{key}=1"]
    ended = tickspin(*words)
    assert ended.status == 2
    assert ended.err.startswith(f"tickspin: --set {key}: has a word of its own, found {key}=1; write ")
    assert not (tickspin.folder / "out").exists()


def test_a_law_for_other_sensors_is_refused_as_run_refuses_it(tickspin: Command) -> None:
    words = ["export", "step_trim", "--arithmetic", "i32", "--to", "out", "--set", "hall.sensors=3"]
    ended = tickspin(*words)
    assert (ended.status, ended.err.count("\n")) == (2, 1)
    assert "must be 1, which the law step_trim is written for" in ended.err
    assert not (tickspin.folder / "out").exists()


def test_without_a_word_the_arithmetic_is_that_of_check_and_cost(tickspin: Command) -> None:
    def told(*words: str | Path) -> str:
        return str(json.loads(tickspin(*words, "--json", "-").out)["arithmetic"])

    (tickspin.folder / "q.toml").write_text(AIR_SAMPLER.read_text().replace('"i32"', '"q15.16"'))
    for rest, arithmetic in (((), "i32"), (("--scenario", "q.toml"), "q15.16")):
        export = told("export", "step_trim", "--to", "out", *rest)
        check = told("check", "step_trim", "--examples", "100", *rest)
        assert (export, told("cost", "step_trim", *rest), check) == (arithmetic,) * 3
