"""Sound scenarios: what is read, what is filled in, and how quickly."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from sim.design import load_design
from tests.design.scenario_text import SOUND, with_value

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))


def load_text(tmp_path: Path, text: str) -> Any:
    path = tmp_path / "scenario.toml"
    path.write_bytes(text.encode())
    return load_design(path)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_shipped_scenarios_load(path: Path) -> None:
    assert load_design(path).name == path.stem


def test_there_are_shipped_scenarios() -> None:
    assert SCENARIOS


def test_defaults_are_filled_in(tmp_path: Path) -> None:
    design = load_text(tmp_path, SOUND)
    assert design.motor.stiction_Nm == design.motor.coulomb_Nm
    assert design.motor.connection == "wye"
    assert design.load.fan_torque_Nm is None
    assert design.firmware.clock_Hz is None
    assert design.numerics.max_segment_deg == 20.0
    assert [(step.at_s, step.speed_rpm) for step in design.command.profile] == [(0.0, 10000.0)]


def test_whole_numbers_become_floats(tmp_path: Path) -> None:
    supply_V = load_text(tmp_path, with_value("drive.supply_V", "6")).drive.supply_V
    assert isinstance(supply_V, float)
    assert supply_V == 6.0


@pytest.mark.parametrize(
    "text", [f"\ufeff{SOUND}", SOUND.replace("\n", "\r\n")], ids=["byte order mark", "CRLF"]
)
def test_files_of_other_editors(tmp_path: Path, text: str) -> None:
    assert load_text(tmp_path, text).name == "sound"


def test_a_design_cannot_be_changed(tmp_path: Path) -> None:
    design = load_text(tmp_path, SOUND)
    with pytest.raises(ValidationError, match="frozen"):
        design.motor.pole_pairs = 3


def test_schema_is_imported_without_numerics_libraries() -> None:
    """`tickspin new` and error messages must come at once; numba alone takes longer than everything else."""
    code = "import sys, sim.design; print(*{'numpy', 'numba', 'scipy', 'matplotlib'} & sys.modules.keys())"
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert printed.strip() == ""


@pytest.mark.benchmark
def test_speed_of_loading(benchmark: Any, tmp_path: Path) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(SOUND)
    benchmark(load_design, path)
    assert benchmark.stats.stats.median < 0.03
