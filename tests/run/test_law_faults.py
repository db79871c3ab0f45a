"""Faults that the machine counts in a run are reported with file and line, also those of a base."""

from pathlib import Path

import pytest

from controllers import catalogue
from sim.design import apply_overrides, firmware_rules, load_design
from sim.run.metrics import measure
from sim.run.simulate import simulate
from sim.studies.explain import explain
from sim.studies.limits import Diagnosis

LAW = '''"""Open ramp with a counter that is too narrow."""

from controllers.dialect import u8, var
from controllers.laws.open_ramp import OpenRamp


class Narrow(OpenRamp):
    """Count the turns in eight bits, from a few below the wrap."""

    turns = var(u8, 253)

    def trim_step_time(self) -> None:
        self.turns += 1
        self.find_goal()
'''


def test_run_names_file_and_line_of_every_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sampler = load_design("scenarios/air_sampler.toml")
    monkeypatch.setattr(catalogue, "_FOLDER", tmp_path)
    monkeypatch.setattr(
        firmware_rules, "known_laws", lambda: ("narrow",)
    )  # the list of the shipped ones is kept
    (tmp_path / "narrow.py").write_text(LAW, encoding="utf-8")
    # number is i8: the step time of the start does not fit it, and on_start of the base says so
    overrides = {
        "firmware.law": "narrow", "firmware.arithmetic": "i8", "firmware.parameters": {},
        "command.duration_s": 0.3, "require.within_s": 0.3,
    }  # fmt: skip
    recording = simulate(apply_overrides(sampler, overrides))
    metrics = measure(recording)
    found = {(fault.kind, fault.place): fault.text for fault in metrics.faults}
    assert found[("overflow", "line 13")] == "self.turns += 1"
    shipped = Path(catalogue.__file__).parent / "laws" / "open_ramp.py"
    lines = shipped.read_text(encoding="utf-8").split("\n")
    line = 1 + lines.index("        self.step_time = number(self.step_ticks)")
    place = f"line {line} of open_ramp.py"
    assert found[("conversion out of range", place)] == lines[line - 1].strip()
    worst = metrics.faults[0]
    told = explain(recording, metrics, Diagnosis("law", ()), {}, None)
    fault = told.index(f"{worst.kind} in {worst.place} of the law ({worst.text}) {worst.count:,} times")
    assert fault < told.index("The law narrow")  # before the reason, which it may have caused
