"""`tickspin run`: exit status, the contract of its outputs, and that refused input leaves nothing behind."""

import csv
import json
import math
import os
import struct
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest
from matplotlib.figure import Figure

from sim.cli.files import write_whole
from sim.loop.native import native_spin
from sim.processor.records import TRACE_COLUMNS
from sim.studies.answer import CAUTION
from targets import InputError, load_target
from tests.cli.command import AIR_SAMPLER, SCENARIOS, Command, in_own_process

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
FIGURE_PIXELS = (11 * 110, 14 * 110)  # inches by dots per inch

# The contract for scripts: table, key, types.
CONTRACT = [
    ("verdict", "met", bool),
    ("verdict", "reached_rpm", float),
    ("verdict", "settled_rpm", float),
    ("verdict", "time_to_speed_s", (float, type(None))),
    ("verdict", "overshoot_percent", float),
    ("verdict", "limited_by", str),
    ("verdict", "explanation", str),
    ("firmware", "worst_case_cycles", dict),
    ("firmware", "cpu_load", float),
    ("firmware", "late_steps", int),
    ("firmware", "worst_lateness_us", float),
    ("firmware", "missed_edges", int),
    ("firmware", "missed_compares", int),
    ("firmware", "faults", list),
    ("firmware", "flash_bytes", int),
    ("firmware", "ram_bytes", int),
    ("firmware", "fits", bool),
    ("firmware", "prescaler", int),
    ("motor", "peak_phase_A", float),
    ("motor", "rms_phase_A", float),
    ("motor", "settled_rms_phase_A", float),
    ("motor", "settled_supply_W", float),
    ("firmware", "settled_opposed_part", float),
    ("firmware", "settled_steps_per_turn", float),
    ("firmware", "settled_place_spread", float),
    ("motor", "winding_C", type(None)),
    ("motor", "efficiency", float),
    ("motor", "energy_balance_error", float),
    ("ceilings_rpm", "supply", float),
    ("ceilings_rpm", "latency", float),
    ("ceilings_rpm", "processor", float),
    ("ceilings_rpm", "tick", float),
    ("ceilings_rpm", "heat", type(None)),
]


def numbers(part: Any) -> list[float]:
    """All numbers in nested lists and tables, true and false left out."""
    if isinstance(part, dict | list):
        return [n for inner in (part.values() if isinstance(part, dict) else part) for n in numbers(inner)]
    return [part] if isinstance(part, int | float) and not isinstance(part, bool) else []


def met_scenario(folder: Path, law: str = "step_trim") -> Path:
    """The air sampler on a chip that does it."""
    path = folder / "met.toml"
    path.write_text(AIR_SAMPLER.read_text().replace('"acc8"', '"m4f"').replace("step_trim", law))
    return path


def test_a_requirement_that_is_not_met_gives_status_1_and_says_why(tickspin: Command) -> None:
    ended = tickspin("run", AIR_SAMPLER)
    assert ended.status == 1
    assert "NOT MET: 22,000 rpm within 1.5 s. Limited by: processor." in ended.out
    assert "The processor holds it back: on_hall_edge takes up to" in " ".join(ended.out.split())


def test_a_requirement_that_is_met_gives_status_0(tickspin: Command) -> None:
    ended = tickspin("run", met_scenario(tickspin.folder))
    assert (ended.status, ended.err) == (0, "")
    assert "\nMET: 22,000 rpm within 1.5 s." in ended.out


def test_the_caution_stands_under_every_verdict(tickspin: Command) -> None:
    for scenario in (AIR_SAMPLER, met_scenario(tickspin.folder)):
        assert " ".join(tickspin("run", scenario).out.split()).endswith(CAUTION)


def test_it_works_from_another_folder_in_a_process_of_its_own(tmp_path: Path) -> None:
    ended = in_own_process(tmp_path, "run", AIR_SAMPLER)
    assert (ended.status, ended.err) == (1, "")
    assert "NOT MET" in ended.out
    assert list(tmp_path.iterdir()) == []


def test_json_on_the_screen_is_json_alone_and_holds_the_contract(tickspin: Command) -> None:
    result = json.loads(tickspin("run", AIR_SAMPLER, "--json", "-").out)
    for table, key, kind in CONTRACT:
        assert isinstance(result[table][key], kind), f"{table}.{key} is {result[table][key]!r}"
    assert result["verdict"]["time_to_speed_s"] is None
    assert set(result["firmware"]["worst_case_cycles"]) == {"on_start", "on_hall_edge", "on_step_timer"}


@pytest.mark.parametrize("arithmetic", ["i32", "i16", "f64"])
def test_all_numbers_are_finite_and_whole_counts_stay_whole(tickspin: Command, arithmetic: str) -> None:
    path = tickspin.folder / "changed.toml"
    path.write_text(AIR_SAMPLER.read_text().replace('"i32"', f'"{arithmetic}"'))
    result = json.loads(tickspin("run", path, "--json", "-").out)
    assert len(numbers(result)) > 30
    assert all(math.isfinite(number) for number in numbers(result))
    assert all(isinstance(cycles, int) for cycles in result["firmware"]["worst_case_cycles"].values())
    for fault in result["firmware"]["faults"]:
        assert (type(fault["kind"]), type(fault["line"]), type(fault["count"])) == (str, int, int)
    assert 0.0 <= result["firmware"]["cpu_load"] <= 1.0 + 1e-9  # the last rounding of a ratio
    assert result["firmware"]["fits"] == (result["firmware"]["flash_bytes"] <= 2048)


def test_a_speed_that_is_reached_has_a_time(tickspin: Command) -> None:
    verdict = json.loads(tickspin("run", met_scenario(tickspin.folder), "--json", "-").out)["verdict"]
    assert verdict["met"] is True
    assert 0.0 < verdict["time_to_speed_s"] <= 1.5
    assert verdict["reached_rpm"] >= verdict["settled_rpm"] >= 0.98 * 22_000  # the tolerance: 2 %


def test_a_json_file_holds_what_the_screen_shows(tickspin: Command) -> None:
    ended = tickspin("run", AIR_SAMPLER, "--json", "a.json")
    assert "NOT MET" in ended.out
    assert (tickspin.folder / "a.json").read_text() == tickspin("run", AIR_SAMPLER, "--json", "-").out


def test_two_processes_give_the_same_bytes_and_all_files(tmp_path: Path) -> None:
    scenario = met_scenario(tmp_path)
    for name in ("a", "b"):
        ended = in_own_process(tmp_path, "run", scenario, "--json", f"{name}.json", "--csv", f"{name}.csv")
        assert (ended.status, ended.err) == (0, "")
    for kind in ("json", "csv"):
        assert (tmp_path / f"a.{kind}").read_bytes() == (tmp_path / f"b.{kind}").read_bytes()
    assert len(list(tmp_path.iterdir())) == 5


def test_the_same_input_gives_the_same_bytes(tickspin: Command) -> None:
    tickspin("run", AIR_SAMPLER, "--json", "a.json", "--csv", "a.csv")
    tickspin("run", AIR_SAMPLER, "--json", "b.json", "--csv", "b.csv")
    for kind in ("json", "csv"):
        first = (tickspin.folder / f"a.{kind}").read_bytes()
        assert first == (tickspin.folder / f"b.{kind}").read_bytes()


def test_csv_has_named_columns_and_a_row_per_sample(tickspin: Command) -> None:
    tickspin("run", AIR_SAMPLER, "--csv", "trace.csv")
    rows = list(csv.reader((tickspin.folder / "trace.csv").read_text().splitlines()))
    assert tuple(rows[0]) == TRACE_COLUMNS
    assert len(rows) > 1900
    assert all(len(row) == len(TRACE_COLUMNS) for row in rows)
    assert float(rows[-1][0]) == pytest.approx(3.0, abs=0.01)


def test_plot_writes_a_png(tickspin: Command) -> None:
    tickspin("run", AIR_SAMPLER, "--plot", "run.png")
    picture = (tickspin.folder / "run.png").read_bytes()
    assert picture.startswith(PNG_SIGNATURE)
    assert struct.unpack(">II", picture[16:24]) == FIGURE_PIXELS
    assert len(picture) > 50_000
    assert [path.name for path in tickspin.folder.iterdir()] == ["run.png"]


def test_the_figure_shows_where_the_duty_is_full(tickspin: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    """The starter reaches its command at full duty and holds it with less; half the duty moves no brake."""
    drawn: list[Figure] = []
    monkeypatch.setattr("sim.views.figure.plt.close", drawn.append)
    tickspin("new", "spinner")
    text = (tickspin.folder / "spinner.toml").read_text()
    (tickspin.folder / "braked.toml").write_text(text.replace("[load]", "[load]\nconstant_torque_Nm = 5e-4"))
    for name in ("spinner", "braked"):
        tickspin("run", f"{name}.toml", "--plot", f"{name}.png")
    spinner, braked = (next(ax for ax in f.axes if ax.get_ylabel() == "duty [%]") for f in drawn)
    assert [text.get_text() for text in spinner.get_legend().get_texts()] == ["full"]
    assert braked.get_legend() is None
    assert spinner.lines[0].get_ydata().max() == 100.0
    assert set(braked.lines[0].get_ydata()) == {50.0}


@pytest.mark.parametrize("option", ["--json", "--csv", "--plot"])
def test_an_output_in_a_folder_that_is_not_there_is_refused_before_the_work(
    tickspin: Command, option: str
) -> None:
    ended = tickspin("run", AIR_SAMPLER, option, "nowhere/out.png")
    assert (ended.status, ended.out) == (2, "")
    assert ended.err == (
        f"tickspin: {option}: must lie in an existing folder, found nowhere/out.png; make nowhere first\n"
    )


def test_an_output_that_is_a_folder_is_refused(tickspin: Command) -> None:
    (tickspin.folder / "out").mkdir()
    ended = tickspin("run", AIR_SAMPLER, "--csv", "out")
    assert (ended.status, ended.err.count("\n")) == (2, 1)
    assert "must name a file" in ended.err


def test_an_output_below_a_file_is_refused(tickspin: Command) -> None:
    (tickspin.folder / "plain").write_text("x")
    ended = tickspin("run", AIR_SAMPLER, "--json", "plain/out.json")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert "must lie in an existing folder" in ended.err


@pytest.mark.parametrize("option", ["--json", "--csv", "--plot"])
def test_a_folder_without_the_right_to_write_is_refused(
    tickspin: Command, monkeypatch: pytest.MonkeyPatch, option: str
) -> None:
    def no_right(*_: object, **__: object) -> None:  # rights do not bind root, who may run these tests
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "mkstemp", no_right)
    ended = tickspin("run", AIR_SAMPLER, option, "out.png")
    assert ended.status == 2
    assert ended.err == (
        "tickspin: out.png: must be writable, found Permission denied; choose another place\n"
    )
    assert list(tickspin.folder.iterdir()) == []


def test_a_file_that_fails_half_way_leaves_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("old")

    def half(temporary: Path) -> None:
        temporary.write_text("ne")
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="No space left on device"):
        write_whole(path, half)
    assert [(file.name, file.read_text()) for file in tmp_path.iterdir()] == [("out.csv", "old")]


def test_two_outputs_of_one_name_are_refused(tickspin: Command) -> None:
    ended = tickspin("run", AIR_SAMPLER, "--json", "out", "--csv", "out")
    assert (ended.status, ended.out, list(tickspin.folder.iterdir())) == (2, "", [])
    assert "must name a file of its own" in ended.err


@pytest.mark.parametrize(
    "words",
    [
        ("run", "m.toml", "--law", "l.py", "--csv", "l.py"),
        ("run", "m.toml", "--csv", "other.toml"),
        ("run", "m.toml", "--target-file", "t.toml", "--json", "t.toml"),
        ("cost", "duty_pi", "--target-file", "t.toml", "--json", "t.toml"),
        ("check", "l.py", "--scenario", "m.toml", "--json", "l.py"),
        ("compare", "m.toml", "--vary", "firmware.law=l.py,duty_pi", "--json", "l.py"),
        ("export", "l.py", "--scenario", "m.toml", "--to", "c", "--json", "./l.py"),
        ("targets", "--json", "m.toml"),
        ("controllers", "--json", "l.py"),
    ],
)
def test_no_output_takes_the_place_of_what_people_write(tickspin: Command, words: tuple[str, ...]) -> None:
    for new in (("m",), ("other",), ("--law", "l"), ("--target", "t")):
        assert tickspin("new", *new).status == 0
    before = {path: path.read_bytes() for path in tickspin.folder.iterdir()}
    ended = tickspin(*words)
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert "must not replace a scenario, target or law" in ended.err
    assert {path: path.read_bytes() for path in tickspin.folder.iterdir()} == before


def test_the_scenario_is_never_overwritten(tickspin: Command) -> None:
    path = met_scenario(tickspin.folder)
    before = path.read_text()
    assert tickspin("run", path, "--csv", "met.toml").status == 2
    assert path.read_text() == before


def test_a_law_for_three_sensors_on_one_is_a_fault_of_the_scenario(tickspin: Command) -> None:
    ended = tickspin("run", AIR_SAMPLER, "--law", "duty_pi_three", "--json", "run.json")
    assert (ended.status, ended.out, ended.err.count("\n")) == (2, "", 1)
    assert f"{AIR_SAMPLER}: hall.sensors: must be 3, which the law duty_pi_three is written for" in ended.err
    assert ended.err.endswith('found 1; set hall.sensors = 3 and hall.edges = "both"\n')
    assert list(tickspin.folder.iterdir()) == []


def test_a_warm_run_needs_no_numba() -> None:
    """Its import takes as long as all the simulations of an answer."""
    native_spin.prepare()
    code = (
        "import sys; from sim.design import load_design; from sim.studies.answer import answer\n"
        "import sim.cli; from sim.views.text import run_text\n"
        f"print(run_text(answer(load_design({str(AIR_SAMPLER)!r})))[:12], 'numba' in sys.modules)"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout == "Air sampler  False\n"


def test_the_heading_and_the_json_tell_the_prescaler_that_a_target_file_brings(tickspin: Command) -> None:
    """acc8 at 16 MHz: 32 clocks are the 2 us that the scenario asks of m0 with 96, nearest 128."""
    Path("on_m0.toml").write_text(
        AIR_SAMPLER.read_text().replace('"acc8"', '"m0"').replace("prescaler = 8", "prescaler = 128")
    )
    tickspin("new", "--target", "own", "--base", "acc8")
    for words, tick in (
        ((), "2.667 us (prescaler 128)"),
        (("--target-file", "own.toml"), "2 us (prescaler 8)"),
    ):
        ended = tickspin("run", "on_m0.toml", "--json", "r.json", *words)
        assert f"timer tick {tick}" in ended.out
        prescaler = json.loads((tickspin.folder / "r.json").read_text())["firmware"]["prescaler"]
        assert f"(prescaler {prescaler})" in tick


def test_what_is_not_modelled_or_not_there_is_not_told_as_a_number(tickspin: Command) -> None:
    plain = tickspin("run", AIR_SAMPLER).out
    assert "not judged: [thermal] gives no resistances and capacities" in plain
    assert "efficiency      4.5% (load over supply" in plain
    assert "not judged" not in tickspin("run", SCENARIOS / "fume_fan.toml").out
    text = AIR_SAMPLER.read_text()
    loaded = next(line for line in text.splitlines() if line.startswith("fan_torque_Nm"))
    speed = next(line for line in text.splitlines() if line.startswith("fan_speed_rpm"))
    Path("bare.toml").write_text(text.replace(loaded, "").replace(speed, ""))
    assert "none to tell: nothing in [load] takes power" in tickspin("run", "bare.toml").out


def test_clocks_of_run_are_those_of_cost_with_entry_and_exit(tickspin: Command) -> None:
    ran = tickspin("run", AIR_SAMPLER, "--json", "r.json")
    assert "Firmware (clocks with interrupt entry and exit, which `tickspin cost` leaves out)" in ran.out
    tickspin("cost", "step_trim", "--scenario", AIR_SAMPLER, "--json", "c.json")
    around = load_target("acc8").interrupt
    seen = json.loads((tickspin.folder / "r.json").read_text())["firmware"]["worst_case_cycles"]
    priced = json.loads((tickspin.folder / "c.json").read_text())["handlers"]
    assert seen["on_hall_edge"] == (priced["on_hall_edge"]["max"] + around.entry_cycles + around.exit_cycles)


@pytest.mark.parametrize("name", ["run.pdf", "run.jpg", "run"])
def test_a_figure_is_a_png_by_name_too(tickspin: Command, name: str) -> None:
    ended = tickspin("run", AIR_SAMPLER, "--plot", name)
    assert (ended.status, ended.out) == (2, "")
    assert ended.err == f"tickspin: --plot: must end in .png, found {name}; the figure is a PNG\n"


@pytest.mark.parametrize(
    ("command", "options"),
    [("run", ("--json", "r.json")), ("compare", ("--vary", "firmware.target=acc8,m0", "--json", "r.json"))],
)
def test_files_are_written_where_the_reader_of_the_screen_has_gone(
    tmp_path: Path, command: str, options: tuple[str, ...]
) -> None:
    """As after `tickspin run ... | head`."""
    reader, writer = os.pipe()
    os.close(reader)
    words = (command, AIR_SAMPLER, *options, "--plot", "r.png")
    ended = in_own_process(tmp_path, *words, screen=writer)
    os.close(writer)
    assert (tmp_path / "r.png").stat().st_size > 10_000
    assert json.loads((tmp_path / "r.json").read_text())
    assert "Traceback" not in ended.err
