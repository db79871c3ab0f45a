"""The over-current comparator as the firmware sees it: a flag that rises with the trip and falls when read.

Two phases of the harness's motor in series: 4.2 ohm, 20 uH, 5 V. The current passes 0.8 A at
-L / R ln(1 - 0.8 R / 5) = 5.3 us after the PWM goes on, so the trip falls on the 6th cycle of a period.
"""

import math
from pathlib import Path

from tests.processor.harness import ENTRY_CYCLES, IN_CYCLES, law, run

TRIP_A = 0.8
START = "hw.set_step(0)\nhw.set_duty(100)\nself.seen = ticks(150)\nhw.set_compare(self.seen)"
LOOK = "self.n = hw.tripped()\nself.seen = wrap_add(self.seen, 40)\nhw.set_compare(self.seen)"


def test_the_trip_comes_when_the_current_is_there(tmp_path: Path) -> None:
    after_us = -20.0 / 4.2 * math.log(1.0 - TRIP_A * 4.2 / 5.0)
    ran = run(tmp_path, law(on_start=START), 320, trip_A=TRIP_A)
    assert ran.only("trip") == [f"{period + math.ceil(after_us)} trip" for period in (100, 200, 300)]
    assert ran.count("trip_flag") == 1


def test_the_flag_stays_until_it_is_read_and_falls_then(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start=START, on_step_timer=LOOK), 350, trip_A=TRIP_A)
    read = ENTRY_CYCLES + IN_CYCLES
    assert ran.only("trip") == [
        "106 trip",
        f"{150 + read} read tripped 1",
        f"{190 + read} read tripped 0",
        "206 trip",
        f"{230 + read} read tripped 1",
        f"{270 + read} read tripped 0",
        "306 trip",
        f"{310 + read} read tripped 1",
    ]


def test_without_a_comparator_the_flag_never_rises(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start=START, on_step_timer=LOOK), 350)
    assert ran.only("trip") == [
        f"{at + ENTRY_CYCLES + IN_CYCLES} read tripped 0" for at in range(150, 340, 40)
    ]


def test_a_main_loop_that_waits_for_the_flag_is_not_idle(tmp_path: Path) -> None:
    text = law(on_start=START, main_loop="if hw.tripped() == 1:\n    hw.set_duty(0)")
    ran = run(tmp_path, text, 400, trip_A=TRIP_A)
    assert ran.only("trip")[-1].endswith("read tripped 0")
    assert sum("read tripped 1" in line for line in ran.log) == 1
    assert len([line for line in ran.log if line.endswith(" trip")]) == 1  # off before the next period
