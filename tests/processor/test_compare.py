"""The step timer: counts, compare by equality, the wrap."""

from pathlib import Path

import pytest

from tests.processor.harness import ENTRY_CYCLES, OUT_CYCLES, law, run

BYTE = 0xFF
"""A timer of 8 bits wraps after 256 counts."""


def test_a_match_enters_its_handler_at_once_and_entry_cycles_later_it_runs(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_compare(40)", on_step_timer="self.seen = hw.timer()"), 100)
    assert ran.log == [
        "3 write compare 40",  # OUT: 3
        "4 leave on_start",  # RET: 1
        "40 match count 40",
        "40 enter on_step_timer",
        "52 read timer 52",  # 40 + entry 10 + IN 2
        "53 leave on_step_timer",
    ]


def test_a_compare_one_count_ahead_matches_one_count_later(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_compare(4)", on_step_timer="pass"), 100)
    assert ran.log == [
        "3 write compare 4",
        "4 match count 4",
        "4 leave on_start",
        "4 enter on_step_timer",
        "15 leave on_step_timer",  # 4 + entry 10 + RET 1
    ]
    assert ran.count("missed_compares") == 0


@pytest.mark.parametrize(("value", "match"), [(3, 259), (2, 258)])
def test_a_compare_at_or_behind_the_count_waits_for_the_whole_wrap(
    tmp_path: Path, value: int, match: int
) -> None:
    # Written at cycle 3: equality comes 256 counts after `value` was there.
    text = law(on_start=f"hw.set_compare({value})", on_step_timer="hw.set_step(1)")
    ran = run(tmp_path, text, 400, timer_mask=BYTE)
    assert ran.log == [
        f"3 write compare {value}",
        "4 leave on_start",
        f"{match} match count {value}",
        f"{match} enter on_step_timer",
        f"{match + 13} write step 1",  # entry 10 + OUT 3
        f"{match + 14} leave on_step_timer",
    ]
    assert ran.count("missed_compares") == 1
    # The step was due when the count passed `value`: a wrap and the handler's own 13 cycles ago.
    assert ran.count("worst_late_cycles") == 256 + ENTRY_CYCLES + OUT_CYCLES


@pytest.mark.parametrize(("value", "missed"), [(131, 0), (132, 1)])
def test_passed_means_less_than_half_the_range_ago(tmp_path: Path, value: int, missed: int) -> None:
    # Count 3 when written: 131 is 128 ahead; 132 is 129 ahead or 127 behind. Equality comes at the same
    # cycle either way.
    ran = run(tmp_path, law(on_start=f"hw.set_compare({value})", on_step_timer="pass"), 200, timer_mask=BYTE)
    assert ran.only("match") == [f"{value} match count {value}"]
    assert ran.count("missed_compares") == missed


def test_after_a_match_the_same_value_matches_again_one_wrap_later(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start="hw.set_compare(40)", on_step_timer="pass"), 600, timer_mask=BYTE)
    assert ran.only("match") == ["40 match count 40", "296 match count 40", "552 match count 40"]
    assert ran.count("missed_compares") == 0


def test_a_compare_beyond_the_wrap_matches_after_it(tmp_path: Path) -> None:
    text = law(on_start="hw.set_compare(120)", on_step_timer="hw.set_compare(wrap_add(hw.timer(), 125))")
    # 120 + entry 10 + IN 2 = 132 read; 132 + 125 = 257 is count 1 of the second round.
    ran = run(tmp_path, text, 260, timer_mask=BYTE)
    assert ran.only("match", "write") == [
        "3 write compare 120",
        "120 match count 120",
        "135 write compare 257",
        "257 match count 1",
    ]
    assert ran.count("missed_compares") == 0


def test_a_new_compare_replaces_the_old_one(tmp_path: Path) -> None:
    text = law(on_start="hw.set_compare(40)\nhw.set_compare(50)", on_step_timer="pass")
    assert run(tmp_path, text, 200).only("match") == ["50 match count 50"]


def test_steps_scheduled_from_the_last_compare_do_not_drift(tmp_path: Path) -> None:
    next_step = "self.seen = wrap_add(self.seen, 50)\nhw.set_compare(self.seen)"
    ran = run(tmp_path, law(on_start=next_step, on_step_timer=next_step), 260)
    assert ran.only("match") == [f"{50 * k} match count {50 * k}" for k in range(1, 6)]


@pytest.mark.parametrize(("value", "match"), [(1, 8), (2, 16), (100, 800)])
def test_matches_fall_on_multiples_of_the_prescaled_tick(tmp_path: Path, value: int, match: int) -> None:
    ran = run(tmp_path, law(on_start=f"hw.set_compare({value})", on_step_timer="pass"), 1000, tick_cycles=8)
    assert ran.only("match") == [f"{match} match count {value}"]


def test_a_prescaled_count_that_is_there_already_waits_for_the_whole_wrap(tmp_path: Path) -> None:
    # Written at cycle 3, in the middle of count 0: 256 counts of 8 cycles.
    ran = run(
        tmp_path,
        law(on_start="hw.set_compare(0)", on_step_timer="pass"),
        2100,
        tick_cycles=8,
        timer_mask=BYTE,
    )
    assert ran.only("match") == ["2048 match count 0"]
    assert ran.count("missed_compares") == 1


def test_a_read_gives_the_count_at_its_own_cycle(tmp_path: Path) -> None:
    # Reads at 2, 4, 6, ... cycles (IN: 2): a tick of 4 cycles and a timer of 2 bits.
    reads = "\n".join(["self.seen = hw.timer()"] * 9)
    ran = run(tmp_path, law(on_start=reads), 30, tick_cycles=4, timer_mask=3)
    counts = (0, 1, 1, 2, 2, 3, 3, 0, 0)
    assert ran.only("read") == [f"{2 * k} read timer {count}" for k, count in enumerate(counts, 1)]
