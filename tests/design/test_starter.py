"""The starter scenario is sound, complete and written whole or not at all."""

import re
import stat
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.design import design_from_dict, load_design, reference, starter, write_new
from sim.design.faults import KEYS
from sim.design.key import number_text
from targets import InputError

# Any text that may be a name: 1 to 80 characters, no control characters and no half surrogates.
NAMES = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=80)


@given(NAMES)
def test_starter_of_any_name_loads_and_keeps_the_name(name: str) -> None:
    assert design_from_dict(tomllib.loads(starter(name))).name == name


@pytest.mark.parametrize("name", ["", "two\nlines", "tab\t", "\x7f", "n" * 81, "\ud800"])
def test_name_that_is_no_name_is_refused(name: str) -> None:
    with pytest.raises(InputError, match="starter: name: must"):
        starter(name)


def test_every_optional_key_may_be_uncommented() -> None:
    """The values shown are legal together (steps would replace speed_rpm: left out); no key is forgotten."""
    text = re.sub(r"^# (?!steps )(\w+ = )", r"\1", starter("all"), flags=re.MULTILINE)
    data = tomllib.loads(text)
    design_from_dict(data)
    stated = {f"{section}.{key}" for section, keys in data.items() if isinstance(keys, dict) for key in keys}
    stated |= {key for key, value in data.items() if not isinstance(value, dict)}
    lists = {path for path, key in KEYS.items() if key.kind == "list"}
    expected = {path for path, key in KEYS.items() if key.kind != "section" and key.section not in lists}
    assert stated == expected - {"command.steps"}


def test_steps_shown_are_legal() -> None:
    text = re.sub(r"^# steps", "steps", starter("steps"), flags=re.MULTILINE).replace(
        "\nspeed_rpm = 10000\n", "\n"
    )
    design = design_from_dict(tomllib.loads(text))
    assert [step.at_s for step in design.command.profile] == [0, 1.5]


def test_unit_of_every_key_stands_in_its_name() -> None:
    """`V s/rad` is the unit of a key that ends in `_V_s_per_rad`."""
    words = {"%": "percent", "1/K": "per_K", "1/s": "per_s"}
    with_unit = [key for key in KEYS.values() if key.unit]
    assert len(with_unit) > 20
    for key in with_unit:
        suffix = words.get(key.unit, key.unit.replace("/", "_per_").replace(" ", "_"))
        assert key.name.endswith(f"_{suffix}"), key.path


@pytest.mark.parametrize("path", [path for path, key in KEYS.items() if key.kind != "section"])
def test_reference_has_a_row_for_every_key(path: str) -> None:
    (row,) = [line for line in reference().splitlines() if line.startswith(f"| `{path}` |")]
    assert KEYS[path].allowed in row
    assert KEYS[path].about in row


def test_lines_are_not_wider_than_the_project_allows() -> None:
    assert max(map(len, starter("wide").splitlines())) <= 110


@given(st.floats(allow_nan=False))
def test_number_text_is_exact(value: float) -> None:
    assert float(number_text(value)) == value


@pytest.mark.parametrize(
    ("value", "text"), [(1e-07, "1e-7"), (20000.0, "20000"), (0.00035, "0.00035"), (1e300, "1e300"), (3, "3")]
)
def test_number_text_is_short(value: float, text: str) -> None:
    assert number_text(value) == text


def test_write_new_makes_a_file_that_loads(tmp_path: Path) -> None:
    path = write_new(tmp_path / "my fan.toml")
    assert load_design(path).name == "my fan"
    assert [entry.name for entry in tmp_path.iterdir()] == ["my fan.toml"]
    assert path.stat().st_mode & stat.S_IRUSR


def test_write_new_does_not_overwrite(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("precious")
    with pytest.raises(InputError, match="must be a new file, found a file that exists"):
        write_new(path)
    assert path.read_text() == "precious"


@pytest.mark.parametrize("place", ["absent/x.toml", "file/x.toml"])
def test_write_new_where_nothing_can_be_written(tmp_path: Path, place: str) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="must be a file that can be written"):
        write_new(tmp_path / place)
    assert [entry.name for entry in tmp_path.iterdir()] == ["file"]


def test_write_that_fails_half_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device", str(self), None, str(target))

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(InputError, match="No space left on device"):
        write_new(tmp_path / "x.toml")
    assert list(tmp_path.iterdir()) == []
