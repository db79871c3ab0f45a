"""The target file to start from: every key explained, every number and source kept."""

import pytest
from pydantic import BaseModel

from targets import InputError, Target, load_target, starting_target, target_names
from targets.cost_keys import COST_KEYS
from targets.fields import FIELDS, OPERATIONS, SECTIONS
from targets.schema import TargetHead
from targets.sections import Clock, Compiler, Frame, Interrupt, Memory, StepTimer, Timer

RECORDS: dict[str, type[BaseModel]] = {
    "clock": Clock, "memory": Memory, "step_timer": StepTimer, "pwm": Timer, "interrupt": Interrupt,
    "frame": Frame, "compiler": Compiler,
}  # fmt: skip


def numbers(target: Target) -> dict[str, object]:
    """A target without its names and sources."""
    data = target.model_dump(exclude={"name", "title", "sources"})
    for section in data.values():
        if isinstance(section, dict):
            section.pop("source", None)
    return data


def test_every_key_of_the_schema_is_explained_and_no_other() -> None:
    inside = {f"{name}.{key}" for name, record in RECORDS.items() for key in record.model_fields}
    keys = {key for key in inside if not key.endswith(".source")}
    keys |= set(TargetHead.model_fields) - set(RECORDS) | {"core_source", "price_source"}
    assert set(FIELDS) == keys
    assert set(SECTIONS) == {*RECORDS, "routines"}


def test_every_operation_that_is_explained_is_priced() -> None:
    assert {
        word for word in OPERATIONS if any(k in (word, k.partition("_")[0] + f"_{word}") for k in COST_KEYS)
    } == set(OPERATIONS)


@pytest.mark.parametrize("base", target_names())
def test_the_numbers_are_those_of_the_base(base: str, tmp_path: pytest.TempPathFactory) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(starting_target("mine", base), encoding="utf-8")
    mine, shipped = load_target(str(path)), load_target(base)
    assert numbers(mine) == numbers(shipped)
    assert mine.name == "mine"
    for group, source in shipped.sources.items():
        assert source.strip() in mine.sources[group]
        assert f"copied from {base}" in mine.sources[group]


@pytest.mark.parametrize("base", ["m0", "acc8"])
def test_each_key_stands_below_its_explanation(base: str) -> None:
    text = starting_target("mine", base)
    lines = text.splitlines()
    for key, about in FIELDS.items():
        name = key.rpartition(".")[2]
        below = [lines[i + 1] for i, line in enumerate(lines) if line == f"# {about}"]
        assert any(line.removeprefix("# ").startswith(f"{name} = ") for line in below), key
    assert max(len(line) for line in lines if line.startswith("# ")) <= 110


@pytest.mark.parametrize("name", ["", "two words", "a,b", "m0", "all", "lüfter", "x" * 41])
def test_a_name_that_no_scenario_could_give_is_refused(name: str) -> None:
    with pytest.raises(InputError, match="--target: "):
        starting_target(name)
