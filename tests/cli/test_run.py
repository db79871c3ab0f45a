"""`tickspin run`: exit status, the contract of its outputs, and that refused input leaves nothing behind."""

import csv
import json
from pathlib import Path

import pytest

from sim.processor.records import TRACE_COLUMNS
from sim.studies.answer import CAUTION
from tests.cli.command import AIR_SAMPLER, Command, in_own_process

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"

# The contract for scripts: table, key, types.
CONTRACT = [
    ("verdict", "met", bool),
    ("verdict", "reached_rpm", float),
    ("verdict", "settled_rpm", float),
    ("verdict", "time_to_speed_s", (float, type(None))),
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
    ("motor", "peak_phase_A", float),
    ("motor", "rms_phase_A", float),
    ("motor", "winding_C", type(None)),
    ("motor", "efficiency", float),
    ("motor", "energy_balance_error", float),
    ("ceilings_rpm", "supply", float),
    ("ceilings_rpm", "latency", float),
    ("ceilings_rpm", "processor", float),
    ("ceilings_rpm", "tick", float),
    ("ceilings_rpm", "heat", type(None)),
]


def met_scenario(folder: Path) -> Path:
    """The air sampler on a chip that does it."""
    path = folder / "met.toml"
    path.write_text(AIR_SAMPLER.read_text().replace('"acc8"', '"m4f"'))
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
    assert len(picture) > 50_000
    assert [path.name for path in tickspin.folder.iterdir()] == ["run.png"]


@pytest.mark.parametrize("option", ["--json", "--csv", "--plot"])
def test_an_output_in_a_folder_that_is_not_there_is_refused_before_the_work(
    tickspin: Command, option: str
) -> None:
    ended = tickspin("run", AIR_SAMPLER, option, "nowhere/out.file")
    assert (ended.status, ended.out) == (2, "")
    assert ended.err == (
        f"tickspin: {option}: must lie in an existing folder, found nowhere/out.file; make nowhere first\n"
    )


def test_an_output_that_is_a_folder_is_refused(tickspin: Command) -> None:
    (tickspin.folder / "out").mkdir()
    ended = tickspin("run", AIR_SAMPLER, "--csv", "out")
    assert (ended.status, ended.err.count("\n")) == (2, 1)
    assert "must name a file" in ended.err
