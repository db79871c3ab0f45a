"""A loop that decides step times once per round: only whole rounds make a step, so the speeds form a comb."""

from itertools import pairwise
from pathlib import Path

import pytest

from controllers.opcodes import MUL, RET
from sim.run.ceilings import speed_of_step_time_rpm
from tests.processor.harness import LOOP_CYCLES, RET_CYCLES, WORK, law, run

LOOP_CYCLES_IN_ALL = 360
"""0.36 ms at 1 MHz."""
POLE_PAIRS = 2
LOOP = f"""
{WORK}
if wrap_sub(hw.timer(), self.seen) >= {{0}}:
    self.seen = hw.timer()
    self.n += 1
    if self.n == 6:
        self.n = 0
    hw.set_step(self.n)
"""
COST = {MUL: LOOP_CYCLES_IN_ALL - RET_CYCLES - LOOP_CYCLES, RET: RET_CYCLES}
"""One multiplication stands for the arithmetic of a round; the rest is free, so that all rounds are alike."""


def _speed_rpm(folder: Path, step_cycles: int, structure: str) -> float:
    """The speed of the field, from the last steps made."""
    text = law(main_loop=LOOP.format(step_cycles))
    ran = run(folder, text, 20_000, cost=COST, structure=structure)
    steps = [int(line.split()[0]) for line in ran.only("step")]
    assert len({late - early for early, late in pairwise(steps[1:])}) == 1
    return speed_of_step_time_rpm(POLE_PAIRS, (steps[-1] - steps[-2]) * 1e-6)


@pytest.mark.parametrize("structure", ["polled", "interrupt"])
def test_a_loop_of_360_us_makes_only_speeds_of_whole_rounds(tmp_path: Path, structure: str) -> None:
    # Derived: n = 10 / (p k t_loop); t_loop = 0.36 ms and p = 2 give 13,889, 6,944, 4,630, ... rpm.
    asked = range(40, 1081, 40)
    speeds = {round(_speed_rpm(tmp_path, step_cycles, structure)) for step_cycles in asked}
    assert speeds == {13_889, 6_944, 4_630}


def test_a_speed_between_two_teeth_becomes_the_lower_one(tmp_path: Path) -> None:
    assert round(_speed_rpm(tmp_path, 361, "polled")) == 6_944
    assert round(_speed_rpm(tmp_path, 360, "polled")) == 13_889
