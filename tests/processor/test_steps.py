"""Commutation: what a step write does, how its lateness and its place are booked, and which steps oppose the
motion."""

from pathlib import Path

import pytest

from sim.plant.records import HIGH, LOW, OFF, WINDOW_COLUMNS
from tests.processor.harness import STEP_OFF, WORK, Rotor, law, run

NEXT_STEP = """
self.n += 1
if self.n == 6:
    self.n = 0
hw.set_step(self.n)
self.seen = wrap_add(self.seen, 50)
hw.set_compare(self.seen)
"""
STEPPER = law(on_start="self.seen = 50\nhw.set_compare(50)", on_step_timer=NEXT_STEP)
"""Steps at 50 k + 13 cycles (entry 10, OUT 3), k = 1, 2, ...; step 1 first."""


def test_a_step_changes_the_legs_at_the_cycle_of_its_write(tmp_path: Path) -> None:
    text = law(on_start="hw.set_duty(100)\nhw.set_compare(140)", on_step_timer="hw.set_step(4)")
    ran = run(tmp_path, text, 200, window_rows=500)
    t_s, step = (ran.window[:, WINDOW_COLUMNS.index(name)] for name in ("t_s", "step"))
    before = t_s < 153e-6  # 140 + entry 10 + OUT 3
    assert before.any()
    assert (~before).any()
    assert set(step[before]) == {STEP_OFF}
    assert set(step[~before]) == {4}
    assert list(ran.state["leg"]) == [LOW, OFF, HIGH]  # step 4: C high, A low


def test_a_supply_current_flows_from_the_write_on_and_not_before(tmp_path: Path) -> None:
    text = law(on_start="hw.set_duty(100)\nhw.set_compare(140)", on_step_timer="hw.set_step(0)")
    ran = run(tmp_path, text, 300, window_rows=500)
    t_s, current_A = (ran.window[:, WINDOW_COLUMNS.index(name)] for name in ("t_s", "i_a_A"))
    assert set(current_A[t_s < 153e-6]) == {0.0}
    # After 29 time constants of 10 uH / 2.1 ohm: 5 V / 4.2 ohm, to rounding; the back-EMF constant is 1e-9.
    assert ran.state["i_A"][0] == pytest.approx(5.0 / 4.2, rel=1e-9)


def test_writing_the_step_that_is_on_is_no_step(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_step(1)\nhw.set_step(1)\nhw.set_step(2)\nhw.set_step(2)"), 50)
    assert ran.count("steps") == 2
    assert ran.count("last_step") == 9  # the third write of 3 cycles


def test_switching_all_off_is_no_step(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_step(1)\nhw.set_step(hw.STEP_OFF)"), 50)
    assert ran.count("steps") == 1
    assert list(ran.state["leg"]) == [OFF, OFF, OFF]


def test_the_first_step_at_reset_is_not_late(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start=f"{WORK}\nhw.set_step(1)"), 200, Rotor(50.5, 400.0))
    assert (ran.count("steps"), ran.count("late_steps"), ran.count("worst_late_cycles")) == (1, 0, 0)


@pytest.mark.parametrize(
    ("entry_cycles", "late_cycles", "late_steps"),
    # A turn of 720 cycles, half a degree each. Entry and OUT 3; late is more than 15 degrees.
    [(10, 13, 0), (26, 29, 0), (28, 31, 1)],
)
def test_lateness_of_a_step_is_the_time_since_its_compare_was_due(
    tmp_path: Path, entry_cycles: int, late_cycles: int, late_steps: int
) -> None:
    text = law(on_start="hw.set_compare(40)", on_step_timer="hw.set_step(1)")
    ran = run(tmp_path, text, 100, Rotor(350.5, 720.0), entry_cycles=entry_cycles)
    assert ran.count("worst_late_cycles") == late_cycles
    assert float(ran.counters["worst_late_deg"]) == pytest.approx(late_cycles / 2, rel=1e-12)  # rounding
    assert ran.count("late_steps") == late_steps


def test_lateness_counts_from_the_match_even_when_the_handler_had_to_wait(tmp_path: Path) -> None:
    text = law(on_start=f"hw.set_compare(40)\n{WORK}", on_step_timer="hw.set_step(1)")
    ran = run(tmp_path, text, 200)
    assert ran.only("step 1") == ["117 write step 1"]  # start until 3 + 100 + 1, entry 10, OUT 3
    assert ran.count("worst_late_cycles") == 117 - 40


def test_lateness_of_a_step_at_a_hall_edge_counts_from_the_edge(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_hall_edge=f"{WORK}\nhw.set_step(1)"), 300, Rotor(100.5, 400.0))
    assert ran.count("worst_late_cycles") == 10 + 100 + 3


@pytest.mark.parametrize(
    ("first_edge", "angle_deg"), [(87.0, 13.0), (100.0, 0.0), (130.0, -30.0), (40.0, 60.0)]
)
def test_the_angle_error_of_step_0_is_the_rotors_angle_since_the_edge(
    tmp_path: Path, first_edge: float, angle_deg: float
) -> None:
    # A turn of 360 cycles; step 0 belongs to the edge and is written at 87 + entry 10 + OUT 3 = 100.
    text = law(on_start="hw.set_compare(87)", on_step_timer="hw.set_step(0)")
    ran = run(tmp_path, text, 120, Rotor(first_edge, 360.0))
    # The edge lies half the least hysteresis, 3e-5 degrees, after the place where step 0 belongs.
    assert float(ran.counters["sample_error_deg"]) == pytest.approx(angle_deg, abs=1e-4)


@pytest.mark.parametrize("step", range(6))
def test_each_step_belongs_60_degrees_after_the_one_before(tmp_path: Path, step: int) -> None:
    # Written at cycle 100; the edge was 60 * step degrees (cycles) before, less whole turns.
    text = law(on_start="hw.set_compare(87)", on_step_timer=f"hw.set_step({step})")
    ran = run(tmp_path, text, 120, Rotor((100.0 - 60.0 * step) % 360.0, 360.0))
    assert float(ran.counters["sample_error_deg"]) == pytest.approx(0.0, abs=1e-4)


@pytest.mark.parametrize(
    ("place_deg", "opposed"), [(0.0, 0), (89.0, 0), (91.0, 1), (180.0, 1), (-89.0, 0), (-91.0, 1)]
)
def test_a_step_more_than_90_degrees_off_its_place_opposes_the_motion(
    tmp_path: Path, place_deg: float, opposed: int
) -> None:
    # Step 0 is written at cycle 100, `place_deg` (cycles) after the edge it belongs to, less whole turns.
    text = law(on_start="hw.set_compare(87)", on_step_timer="hw.set_step(0)")
    ran = run(tmp_path, text, 120, Rotor((100.0 - place_deg) % 360.0, 360.0))
    assert (ran.count("opposed_steps"), ran.count("last_opposed")) == (opposed, 100 * opposed)
