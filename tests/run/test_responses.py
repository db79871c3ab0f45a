"""Response times by formula beside those of the run: what the formula is fed with; no run exceeds it.

The formulas themselves are tested in tests/processor/test_response.py.
"""

from pathlib import Path
from typing import Any
from unittest.mock import Mock

import numpy as np
import pytest

from controllers import compile_law
from controllers.cost import MAXIMUM
from sim.design import Design, Override, apply_overrides, load_design
from sim.run import metrics as metrics_of
from sim.run.assemble import build_firmware
from sim.run.metrics import Metrics, measure
from sim.run.responses import masked_cycles
from sim.run.simulate import simulate
from sim.studies.answer import answer
from sim.views.text import run_text
from tests.controllers.support import law_text, make_binding

FAN = load_design("scenarios/fume_fan.toml")


def ran(changes: dict[str, Override], design: Design = FAN) -> Metrics:
    return measure(simulate(apply_overrides(design, changes)))


ON_LEVELS: dict[str, Override] = {"firmware.target": "m0", "firmware.structure": "nested"}
"""The targets of three of these scenarios have no levels."""


@pytest.mark.parametrize("changes", [{}, ON_LEVELS], ids=["interrupt", "nested"])
@pytest.mark.parametrize("name", ["air_sampler", "fume_fan", "label_feeder", "stirrer"])
def test_no_handler_of_a_run_takes_longer_than_the_formula_says(
    name: str, changes: dict[str, Override]
) -> None:
    """The run pays typical costs, the formula the highest; these runs do not overshoot, so that no events
    come closer together than when they have settled."""
    metrics = ran(changes, load_design(f"scenarios/{name}.toml"))
    assert set(metrics.response_bound_us) == set(metrics.worst_response_us) - {"on_start", "main_loop"}
    for handler, bound_us in metrics.response_bound_us.items():
        assert bound_us is not None, handler
        assert 0.0 < metrics.worst_response_us[handler] <= bound_us, handler


def test_on_one_level_the_longest_lower_handler_blocks() -> None:
    metrics, clock_MHz = ran({}), 48.0
    worst = metrics.worst_case_cycles
    blocked = max(worst["on_hall_edge"], worst["on_control_tick"]) - 1 + worst["on_step_timer"]
    assert metrics.response_bound_us["on_step_timer"] == pytest.approx(blocked / clock_MHz, rel=1e-12)


def test_nested_the_first_handler_waits_for_an_entry_or_exit_or_for_a_mask() -> None:
    design = apply_overrides(FAN, {"firmware.structure": "nested"})
    firmware, metrics = build_firmware(design), measure(simulate(design))
    masked = masked_cycles(firmware.program, firmware.linked.cycles[:, MAXIMUM])
    interrupt = firmware.target.interrupt
    wait = max(
        interrupt.entry_cycles, interrupt.exit_cycles, *(n for h, n in masked.items() if h != "on_start")
    )
    expected = (wait + metrics.worst_case_cycles["on_step_timer"]) / 48.0
    assert metrics.response_bound_us["on_step_timer"] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("structure", ["interrupt", "nested"])
def test_the_lowest_handler_waits_for_the_mask_of_the_main_loop(structure: str) -> None:
    """Above it stands the step timer, once: a step lasts 208 us at this speed."""
    changes: dict[str, Override] = {
        "firmware.law": "step_trim_background",
        "firmware.structure": structure,
    }
    recording = simulate(apply_overrides(FAN, changes))
    program, metrics = recording.firmware.program, measure(recording)
    masked = masked_cycles(program, recording.firmware.linked.cycles[:, MAXIMUM])["main_loop"]
    assert masked > 0
    cycles = masked + sum(metrics.worst_case_cycles[name] for name in ("on_step_timer", "on_hall_edge"))
    bound_us = metrics.response_bound_us["on_hall_edge"]
    assert bound_us == pytest.approx(cycles / 48.0, rel=1e-12)
    assert metrics.worst_response_us["on_hall_edge"] <= bound_us


@pytest.mark.parametrize(
    ("law", "sensors", "edges", "per_turn"), [("duty_pi", 1, "rising", 1), ("duty_pi_three", 3, "both", 6)]
)
def test_the_formula_is_told_of_all_edges_of_an_electrical_turn(
    monkeypatch: pytest.MonkeyPatch, law: str, sensors: int, edges: str, per_turn: int
) -> None:
    formula = Mock(return_value={})
    monkeypatch.setattr(metrics_of, "response_bounds_us", formula)
    metrics = ran({"firmware.law": law, "hall.sensors": sensors, "hall.edges": edges})
    *_, periods_s = formula.call_args.args
    turns_per_s = FAN.motor.pole_pairs * metrics.settled_rpm / 60.0
    assert turns_per_s == pytest.approx(800.0, rel=0.02)  # the fan's own tolerance: 12,000 rpm, 4 pole pairs
    assert periods_s["on_hall_edge"] == pytest.approx(1.0 / (per_turn * turns_per_s), rel=1e-12)
    assert periods_s["on_control_tick"] == 0.005


def test_a_masked_stretch_runs_to_the_write_that_ends_it(tmp_path: Path) -> None:
    path = tmp_path / "law.py"
    body = "with hw.masked():\n    if self.b > 3:\n        self.a = 1\n        self.a = 2\nself.b = 0"
    path.write_text(law_text(body, "a = var(u16, 0)\nb = var(u8, 0)"), encoding="utf-8")
    program = compile_law(path, make_binding("i32"))
    stretch = masked_cycles(program, np.ones(len(program.code), dtype=np.int64))
    # the branch, two stores, the write that unmasks
    assert stretch == {"on_start": 4}


@pytest.mark.parametrize(
    "changes",
    [{"firmware.structure": "polled"}, {"firmware.idealise": ["cost"]}],
    ids=["polled", "without cost"],
)
def test_where_no_formula_holds_there_is_no_number(changes: dict[str, Override]) -> None:
    assert ran(changes).response_bound_us == {}


def test_handlers_that_leave_no_time_have_no_bound() -> None:
    """A tick every 10 us, whose handler takes longer than that."""
    metrics = ran({"firmware.control_period_s": 1e-5, "command.duration_s": 0.2, "require.within_s": 0.2})
    assert metrics.worst_case_cycles["on_control_tick"] > 1e-5 * 48e6
    assert metrics.response_bound_us["on_control_tick"] is None


def test_a_bound_that_there_is_not_is_said() -> None:
    changes = {"firmware.control_period_s": 1e-5, "command.duration_s": 0.2, "require.within_s": 0.2}
    assert "at worst never: the others leave no time" in run_text(answer(apply_overrides(FAN, changes)))


def test_a_fast_clock_brings_the_ticks_closer_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tick comes after so many cycles of the real clock: 5 ms at the nominal one."""
    periods_s: list[float] = []

    def note(*words: Any) -> dict[str, float | None]:
        periods_s.append(words[-1]["on_control_tick"])
        return {}

    monkeypatch.setattr("sim.run.metrics.response_bounds_us", note)
    ran({"firmware.clock_error_percent": 20.0})
    assert periods_s == [pytest.approx(5e-3 / 1.2, rel=1e-12)]


def test_text_and_json_tell_it() -> None:
    result = answer(FAN)
    bound_us = result.metrics.response_bound_us["on_hall_edge"]
    assert f"us, at worst {bound_us:,.1f}" in run_text(result)
    assert result.as_dict()["firmware"]["response_bound_us"]["on_hall_edge"] == bound_us
