"""A design written as a scenario file is the same design when it is read again."""

from pathlib import Path

import pytest

from sim.design import apply_overrides, design_from_dict, design_text, load_design, stated_values

SCENARIOS = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))

EVERY_KIND = {
    "name": 'two "words" \\ and ü',
    "load.torque_steps": [{"at_s": 0.5, "torque_Nm": 1e-5}, {"at_s": 1.0, "torque_Nm": 0.0}],
    "command.speed_rpm": None,
    "command.steps": [{"at_s": 0.0, "speed_rpm": 5000.0}, {"at_s": 1.0, "speed_rpm": 65000 / 3}],
    "require.speed_rpm": 20000.0,
    "firmware.idealise": ["cost", "tick"],
    "firmware.parameters.kp_duty_per_rpm": 1.25e-4,
    "hall.sensors": 3,
}


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_shipped_scenario_comes_back_from_its_text(path: Path, tmp_path: Path) -> None:
    design = load_design(path)
    (tmp_path / "again.toml").write_text(design_text(design, "a heading"))
    again = load_design(tmp_path / "again.toml")
    assert again.model_dump(exclude_unset=True) == design.model_dump(exclude_unset=True)


def test_every_kind_of_value_comes_back(tmp_path: Path) -> None:
    design = apply_overrides(load_design(SCENARIOS[0]), EVERY_KIND)
    (tmp_path / "again.toml").write_text(design_text(design, "words " * 100))
    assert load_design(tmp_path / "again.toml") == design


def test_files_are_named_by_their_whole_paths(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    design = apply_overrides(load_design(SCENARIOS[0]), {"firmware.law": "own.py"})
    text = design_text(design, "")
    assert f'law = "{tmp_path / "own.py"}"' in text


def test_stated_values_put_back_what_was_changed() -> None:
    base = load_design(SCENARIOS[0])
    changed = apply_overrides(base, {**EVERY_KIND, "drive.supply_V": "x1.5"})
    values = stated_values(changed, [*EVERY_KIND, "drive.supply_V", "hall.jitter_s"])
    assert values["drive.supply_V"] == base.drive.supply_V * 1.5
    assert values["command.speed_rpm"] is None
    assert apply_overrides(base, values) == changed
    assert design_from_dict(changed.model_dump(exclude_unset=True)) == changed
