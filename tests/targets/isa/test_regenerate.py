"""The measured rows of the target files are what compiling and executing the probes gives."""

from __future__ import annotations

import random
import tomllib
from pathlib import Path
from statistics import fmean

import pytest

from targets import COST_KEYS, load_target
from targets.errors import InputError
from targets.isa.compiler import compiler_version
from targets.isa.measure_ops import MeasuredRoutine, MeasuredRow, Measurement, fit_shift, measure
from targets.isa.operands import extreme_tuples, quotient_tuples, tuples
from targets.isa.probes import PROBES, SHIFT_KINDS
from targets.isa.regenerate import MEASURED_TARGETS, main, regenerate, regenerated_text
from targets.loader import DATA_FOLDER
from tests.targets.isa.support import skip_without_tools

TEXT = """# a comment
name = "x"

# what adding costs
[costs.add]
source = "measured: an old compiler; fitted here"
u8_add  = { cycles = [9, 9, 9], bytes = 9 }
u16_add = { cycles = [9, 9, 9], bytes = 9, routine = "old" }

[costs.logic]
source = "derived here"
u8_and = { cycles = [1, 2, 3], bytes = 4 }

[routines]
source = "measured: an old compiler"
old = { bytes = 99, stack_bytes = 9 }
"""
REWRITTEN = """# a comment
name = "x"

# what adding costs
[costs.add]
source = "measured: cc 1, -Os; fitted here"
u8_add  = { cycles = [1, 1, 2], bytes = 2 }
u16_add = { cycles = [5, 6, 7], bytes = 4, routine = "add16" }

[costs.logic]
source = "derived here"
u8_and = { cycles = [1, 2, 3], bytes = 4 }

[routines]
source = "measured: cc 1, -Os"
add16 = { bytes = 30, stack_bytes = 4 }
"""


def test_only_measured_rows_change() -> None:
    rows = {"u8_add": MeasuredRow((1, 1, 2), 2), "u16_add": MeasuredRow((5, 6, 7), 4, "add16")}
    measurement = Measurement(rows, {"unused": MeasuredRoutine(7, 0), "add16": MeasuredRoutine(30, 4)})
    assert regenerated_text(TEXT, measurement, "cc 1") == REWRITTEN
    assert regenerated_text(REWRITTEN, measurement, "cc 1") == REWRITTEN


def test_a_file_is_written_only_where_rows_changed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    rows = {"u8_add": MeasuredRow((1, 1, 2), 2), "u16_add": MeasuredRow((5, 6, 7), 4, "add16")}
    monkeypatch.setattr(
        "targets.isa.regenerate.measure", lambda _: Measurement(rows, {"add16": MeasuredRoutine(30, 4)})
    )
    monkeypatch.setattr("targets.isa.regenerate.compiler_version", lambda _: "cc 1")
    path = tmp_path / "x.toml"
    path.write_text(TEXT, encoding="utf-8")
    assert [regenerate("x", tmp_path), regenerate("x", tmp_path)] == [True, False]
    assert path.read_text(encoding="utf-8") == REWRITTEN


OFTEN = ("m0", "avr5", "rv32imc")
"""One target of each instruction set is measured anew on every change, the others on a quiet machine."""
CASES = [
    pytest.param(name, marks=[pytest.mark.slow, *([] if name in OFTEN else [pytest.mark.long])])
    for name in MEASURED_TARGETS
]


@pytest.mark.parametrize("name", CASES)
def test_measuring_gives_what_the_file_holds(name: str) -> None:
    """With the compilers that the file names; another release may differ, and the file says which made it."""
    skip_without_tools(name)
    text = (DATA_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    if compiler_version(name) not in text:
        pytest.skip(f"the file was measured with another compiler than {compiler_version(name)}")
    measurement = measure(name)
    assert regenerated_text(text, measurement, compiler_version(name)) == text
    check_derived_rows(name, measurement)


def check_derived_rows(name: str, measurement: Measurement) -> None:
    """Rows derived from the manuals hold what probes of these operations measure, within the cycle of an
    extension."""
    costs, rows = load_target(name).costs, measurement.rows
    derived = ("_and", "_or", "_xor", "_neg", "_branch_lt", "_branch_eq")
    for key in (key for key in rows if key.endswith(derived)):
        assert rows[key].cycles[0] == pytest.approx(costs[key].cycles_min, abs=1), key
        assert rows[key].cycles[2] <= costs[key].cycles_max + 1, key


def test_every_row_of_a_measured_group_has_a_probe() -> None:
    shifts = {f"{kind}_shift_{part}" for kind in SHIFT_KINDS for part in ("base", "per_bit", "per_byte")}
    for name in MEASURED_TARGETS:
        groups = tomllib.loads((DATA_FOLDER / f"{name}.toml").read_text(encoding="utf-8"))["costs"].values()
        measured = [key for group in groups if group["source"].startswith("measured:") for key in group]
        assert set(measured) - {"source"} <= set(PROBES) | shifts
    assert set(PROBES) <= set(COST_KEYS)


@pytest.mark.parametrize(
    ("costs", "fit"),
    [
        ({1: 34, 6: 94, 8: 35}, (22, 12, 13)),  # avr5, i64: a line
        ({1: 2, 6: 30, 8: 2}, (0, 5, 2)),  # avr5, u16: unrolled at 1, a loop at 6, moves at 8
        ({1: 1, 6: 4}, (0, 1, 0)),  # avr5, u8
        ({1: 2, 6: 2, 8: 2}, (2, 0, 0)),  # a barrel shifter
    ],
)
def test_shift_costs_are_fitted_from_above(costs: dict[int, int], fit: tuple[int, int, int]) -> None:
    assert fit_shift(costs) == fit
    base, per_bit, per_byte = fit
    for count, cost in costs.items():
        assert base + count % 8 * per_bit + count // 8 * per_byte >= cost


def test_operands_are_the_same_on_every_run_and_reach_the_ends() -> None:
    assert list(tuples(("i32", "u8"), random.Random("x"))) == list(tuples(("i32", "u8"), random.Random("x")))
    pairs = list(extreme_tuples(("i16", "i16"), random.Random(0)))
    assert {(-32768, 32767), (32767, 1), (0, 0)} <= set(pairs)
    assert {divisor for _, divisor in quotient_tuples(("u32", "u32"), random.Random(0))} == {10}


def test_an_unknown_target_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["acc8"]) == 2
    assert "not measured: acc8; choose from avr25, avr5" in capsys.readouterr().err


def test_a_missing_compiler_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("shutil.which", lambda _: None)
    assert main(["avr5"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    with pytest.raises(InputError, match="its compiler must be installed"):
        measure("m0")


@pytest.mark.parametrize(("kind", "base", "per_one_bit"), [("u16", 193, 1), ("u32", 569, 3)])
def test_typical_is_the_mean_over_the_typical_operands_and_nothing_else(
    kind: str, base: int, per_one_bit: int
) -> None:
    """By a second route: libgcc's division takes base + per_one_bit * (one bits of the quotient), see
    test_avr_published.py; CALL 4 and the move of the result come on top (2 MOVW for 32 bits)."""
    pairs = quotient_tuples((kind, kind), random.Random(f"{kind}_div"))
    ones = [(int(a) // int(b)).bit_count() for a, b in pairs]
    moves = 1 if kind == "u16" else 2
    cost = load_target("avr5").costs[f"{kind}_div"]
    assert cost.cycles_typical == round(base + 4 + moves + per_one_bit * fmean(ones))
    assert cost.cycles_max == base + 4 + moves + per_one_bit * int(kind[1:])
