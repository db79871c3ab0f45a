"""Waveforms of the back-EMF: against a solver that takes them exactly, and what a table makes of them."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim.design import apply_overrides, load_design
from sim.plant.emf import FIRST_KNOT_DEG, flat_top, measured, sine, table
from sim.run.metrics import measure
from sim.run.simulate import simulate
from sim.run.waveform import FINE_KNOTS, shape_table
from targets import InputError
from tests.plant.harness import BOARD_MOTOR, FRICTION, UNEQUAL, Drive, imbalance, plant, run, state
from tests.plant.reference_bridge import Bridge
from tests.plant.test_against_scipy import reference

BOARD = {**BOARD_MOTOR, **FRICTION}
HARMONIC = 0.15
"""Third harmonic of an invented measured waveform."""


def peaked(angle: float) -> float:
    """A waveform between sine and trapezoid, largest value 0.925 at its flat top."""
    return math.sin(angle) + HARMONIC * math.sin(3.0 * angle)


def sampled(every_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """`peaked` as somebody would measure it."""
    degrees = np.arange(0.0, 360.0, every_deg)
    return degrees, np.array([peaked(math.radians(at)) for at in degrees])


TOP = float(sampled(1.0)[1].max())
# motor; table; shape, parts and corners of the second model
CASES: dict[str, tuple[dict[str, Any], np.ndarray, dict[str, Any]]] = {
    "sine": (BOARD, table(sine(72), 72), {"shape": math.sin}),
    "measured": (BOARD, table(measured(*sampled(1.0)), 72), {"shape": lambda angle: peaked(angle) / TOP}),
    "one coil weaker": (BOARD, table(flat_top, 6, (1.0, 0.9, 1.05)), {"parts": (1.0, 0.9, 1.05)}),
    "sine, unequal coils": ({**BOARD, **UNEQUAL}, table(sine(72), 72), {"shape": math.sin}),
}


@pytest.mark.parametrize("case", CASES)
def test_a_solver_with_the_exact_waveform_agrees(case: str) -> None:
    motor, shapes, words = CASES[case]
    times = 0.06 * np.arange(1, 9) / 8.0
    second = replace(reference(motor), **words)
    wanted = Bridge(second).run(second.start(20.0), times, rtol=1e-8)
    knots = len(shapes) - 1
    p, s = plant(max_segment_deg=10.0, knots=knots, **motor), state(20.0, knots)
    samples = run(p, s, Drive(), times, shapes)
    # Lines between points 5 degrees apart: 1e-3 of the third harmonic's part at most; else the contract of
    # 0.05 %.
    np.testing.assert_allclose(samples[:, 1], wanted[:, 3], rtol=1e-3 if case == "measured" else 5e-4)
    assert float(s["square_A2s"]) == pytest.approx(wanted[-1, 6], rel=2e-3)
    assert abs(imbalance(p, s)) < 1e-4


def test_the_fundamental_of_the_lines_is_one() -> None:
    column = table(sine(72), 72)[:, 0]
    fine = np.linspace(0.0, 360.0, 72 * 400, endpoint=False) + 360.0 / (72 * 800)
    lines = np.interp(fine, np.arange(73) * 5.0, column)
    fundamental = 2.0 * np.mean(lines * np.sin(np.radians(fine + FIRST_KNOT_DEG)))
    assert fundamental == pytest.approx(1.0, rel=1e-6)  # quadrature of 400 points a cell


@pytest.mark.parametrize("knots", [12, 24, 72])
def test_finer_tables_of_the_trapezoid_hold_the_same_trapezoid(knots: int) -> None:
    fine, coarse = table(flat_top, knots), table(flat_top, 6)
    for k in range(3):
        lines = np.interp(np.arange(knots + 1) * 6.0 / knots, np.arange(7), coarse[:, k])
        np.testing.assert_allclose(fine[:, k], lines, atol=1e-12)


def test_a_csv_file_beside_the_scenario_is_read(tmp_path: Path) -> None:
    degrees, volts = sampled(5.0)
    rows = "\n".join(f"{at:g},{2.7 * value:.9f}" for at, value in zip(degrees, volts, strict=True))
    (tmp_path / "wave.csv").write_text(f"angle_deg,e_V\n{rows}\n")
    text = (
        Path("scenarios/air_sampler.toml")
        .read_text()
        .replace("[motor]", '[motor]\nback_emf = "measured"\nback_emf_file = "wave.csv"')
    )
    (tmp_path / "mine.toml").write_text(text)
    design = load_design(tmp_path / "mine.toml")
    shapes = shape_table(design)
    assert shapes.shape == (FINE_KNOTS + 1, 4)
    assert np.abs(shapes[:, :3]).max() == pytest.approx(1.0, rel=1e-12)
    assert measure(simulate(design)).energy_balance_error < 1e-3


BAD_FILES = {
    "nothing there": (None, "No such file"),
    "words": ("angle,volts\nzero,one\n", "found 0 rows of numbers"),
    "too few": ("0,0\n90,1\n180,0\n270,-1\n", "found 4 rows of numbers"),
    "a hole": ("0,0\n60,\n120,1\n180,0\n240,-1\n300,-1\n", "a cell that is no number"),
    "falling": ("0,0\n60,1\n50,1\n180,0\n240,-1\n300,-1\n", "angles that do not rise"),
    "flat": ("0,0\n60,0\n120,0\n180,0\n240,0\n300,0\n", "volts that are not there"),
    "infinite": ("0,0\n60,1\n120,inf\n180,0\n240,-1\n300,-1\n", "volts that are not there"),
    "one column": ("0\n60\n120\n180\n240\n300\n", "6 rows of numbers"),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_a_waveform_file_that_will_not_do_is_a_fault_of_its_key(tmp_path: Path, name: str) -> None:
    text, phrase = BAD_FILES[name]
    path = tmp_path / "wave.csv"
    if text is not None:
        path.write_text(text)
    changes = {"motor.back_emf": "measured", "motor.back_emf_file": str(path)}
    design = apply_overrides(load_design("scenarios/air_sampler.toml"), changes)
    with pytest.raises(InputError, match=phrase) as refused:
        simulate(design)
    assert refused.value.faults[0].place == "motor.back_emf_file"
