"""The shipped targets: their names, what the loader makes of their files, their way to another process."""

import pickle
import tomllib
from typing import Any

import pytest

from targets import COST_KEYS, Fault, InputError, load_target, target_names
from targets.loader import DATA_FOLDER

TARGETS = (
    "acc8", "avr25", "avr5", "dsp16", "ideal", "m0", "m0plus", "m3", "m4f", "mcs51", "rv32ec", "rv32imc",
)  # fmt: skip


def raw_data(name: str) -> dict[str, Any]:
    """What stands in the file of a shipped target."""
    return tomllib.loads((DATA_FOLDER / f"{name}.toml").read_text(encoding="utf-8"))


def test_names_are_the_shipped_files() -> None:
    assert target_names() == list(TARGETS)


def test_unknown_target_lists_the_names_there_are() -> None:
    with pytest.raises(InputError) as caught:
        load_target("m4")
    (fault,) = caught.value.faults
    assert fault == Fault(
        "target", "the target must exist", "'m4'", 'did you mean "m4f"? allowed: ' + ", ".join(TARGETS)
    )


@pytest.mark.parametrize("name", TARGETS)
def test_shipped_target_prices_every_operation_and_states_every_source(name: str) -> None:
    target = load_target(name)
    assert tuple(target.costs) == COST_KEYS
    groups = raw_data(name)["costs"]
    sections = {"core", "clock", "memory", "step_timer", "pwm", "interrupt", "frame", "routines", "price_USD"}
    sections |= {"compiler"} if target.compiler else set()
    assert set(target.sources) == sections | {f"costs.{group}" for group in groups}


def test_instruction_cycles_become_clock_cycles_once() -> None:
    raw = raw_data("acc8")
    target = load_target("acc8")
    clocks = 4  # of the class; the file states the same
    assert target.clock.clocks_per_instruction == clocks
    row = raw["costs"]["divide"]["i32_div"]
    cost = target.costs["i32_div"]
    in_clocks = [clocks * cycles for cycles in row["cycles"]]
    assert [cost.cycles_min, cost.cycles_typical, cost.cycles_max] == in_clocks
    assert (cost.flash_bytes, cost.routine) == (row["bytes"], row["routine"])
    for field in ("entry_cycles", "exit_cycles", "call_cycles", "return_cycles", "poll_cycles"):
        assert getattr(target.interrupt, field) == clocks * raw["interrupt"][field]


def test_tail_chaining_is_converted_like_the_other_cycles() -> None:
    assert load_target("m4f").interrupt.tail_chain_cycles == 18
    assert load_target("m0").interrupt.tail_chain_cycles == 0  # not published


def test_wait_states_come_with_the_clock() -> None:
    memory = load_target("m3").memory
    assert [memory.wait_states(clock_Hz) for clock_Hz in (8e6, 24e6, 25e6, 48e6, 72e6)] == [0, 0, 1, 1, 2]
    assert load_target("acc8").memory.wait_states(32e6) == 0


def test_targets_and_errors_survive_the_way_to_a_worker_process() -> None:
    target = load_target("m0")
    assert pickle.loads(pickle.dumps(target)) == target
    error = InputError([Fault("here", "rule", "value", "remedy")])
    assert pickle.loads(pickle.dumps(error)).faults == error.faults
