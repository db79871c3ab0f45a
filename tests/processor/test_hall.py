"""Hall edges: when they are seen, what the capture holds, what is lost."""

from pathlib import Path

import pytest

from tests.processor.harness import WORK, Rotor, law, run

READ_CAPTURED = "self.seen = hw.captured()"


@pytest.mark.parametrize("first_edge", [100.01, 100.5, 100.99])
def test_an_edge_is_seen_at_the_first_cycle_after_it(tmp_path: Path, first_edge: float) -> None:
    ran = run(tmp_path, law(), 1000, Rotor(first_edge, 400.0))
    assert ran.only("hall") == [
        "101 hall rise captured 101",
        "301 hall fall captured 101",  # half a turn later; a fall captures nothing
        "501 hall rise captured 501",
        "701 hall fall captured 501",
        "901 hall rise captured 901",
    ]
    assert ran.count("hall_edges") == 3


def test_a_falling_edge_asks_for_no_handler(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_hall_edge="pass"), 800, Rotor(100.5, 400.0))
    assert ran.only("enter") == ["101 enter on_hall_edge", "501 enter on_hall_edge"]


def test_the_capture_holds_the_count_at_the_edge_although_the_handler_starts_late(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_start=WORK, on_hall_edge=READ_CAPTURED), 200, Rotor(50.5, 400.0))
    assert ran.log == [
        "51 hall rise captured 51",
        "101 leave on_start",  # work 100 + RET 1
        "101 enter on_hall_edge",
        "113 read captured 51",  # 101 + entry 10 + IN 2
        "114 leave on_hall_edge",
    ]


def test_without_capture_the_handler_reads_the_count_late_by_its_latency(tmp_path: Path) -> None:
    ran = run(
        tmp_path, law(on_start=WORK, on_hall_edge=READ_CAPTURED), 200, Rotor(50.5, 400.0), reads_count=1
    )
    assert ran.only("enter", "read") == [
        "101 enter on_hall_edge",
        "113 read captured 113",  # the count at the cycle of the read, 62 after the edge
    ]
    assert ran.static("seen") == 113


def test_a_capture_read_after_a_second_edge_gives_the_second(tmp_path: Path) -> None:
    ran = run(tmp_path, law(on_hall_edge=f"{WORK}\n{READ_CAPTURED}"), 140, Rotor(20.5, 60.0))
    assert ran.only("rise", "read") == [
        "21 hall rise captured 21",
        "81 hall rise captured 81",
        "133 read captured 81",  # 21 + entry 10 + work 100 + IN 2
    ]
    assert ran.count("missed_edges") == 0  # the flag of the first had fallen when the second came


def test_flags_are_one_deep_so_a_second_edge_before_service_is_missed(tmp_path: Path) -> None:
    # The start handler works until 101: the edge of 21 raises the flag, that of 71 finds it up.
    ran = run(tmp_path, law(on_start=WORK, on_hall_edge="pass"), 110, Rotor(20.5, 50.0))
    assert ran.only("rise", "enter") == [
        "21 hall rise captured 21",
        "71 hall rise captured 71",
        "101 enter on_hall_edge",
    ]
    assert ran.count("missed_edges") == 1


@pytest.mark.parametrize(
    ("tick_cycles", "timer_mask", "captured"),
    [(8, 0xFFFF, 62), (1, 0xFF, 245), (8, 0x0F, 14)],  # 501 // 8, 501 - 256, 62 - 48
)
def test_the_capture_is_a_count_of_the_prescaled_and_wrapping_timer(
    tmp_path: Path, tick_cycles: int, timer_mask: int, captured: int
) -> None:
    ran = run(tmp_path, law(), 600, Rotor(500.5, 2000.0), tick_cycles=tick_cycles, timer_mask=timer_mask)
    assert ran.log[-1] == f"501 hall rise captured {captured}"


def test_the_level_read_is_that_of_the_sensor_at_that_cycle(tmp_path: Path) -> None:
    # Turn of 8 cycles: high from 4.5 to 8.5, low until 12.5; reads at 2, 4, 6, ... cycles.
    reads = "\n".join(["self.n = hw.hall()"] * 8)
    ran = run(tmp_path, law(on_start=reads), 20, Rotor(4.5, 8.0))
    levels = (0, 0, 1, 1, 0, 0, 1, 1)
    assert ran.only("read") == [f"{2 * k} read hall {level}" for k, level in enumerate(levels, 1)]
