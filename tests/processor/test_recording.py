"""Log, trace and close-up: that they repeat, that they change nothing, and what the trace says."""

from pathlib import Path

import numpy as np
import pytest

from sim.loop.spin import DONE
from sim.processor.records import PROCESSOR_STATE, TRACE_COLUMNS
from tests.processor.harness import Outcome, Rotor, law, run

BUSY_LAW = law(
    on_start="hw.set_duty(30)\nself.seen = 50\nhw.set_compare(50)",
    on_step_timer="""
        self.n += 1
        if self.n == 6:
            self.n = 0
        hw.set_step(self.n)
        self.seen = wrap_add(self.seen, 50)
        hw.set_compare(self.seen)
        """,
    on_hall_edge="self.x = self.x * self.x",
    on_control_tick="hw.set_duty(self.x & 63)",
)
TURN = Rotor(100.5, 300.0)


def busy(folder: Path, log_rows: int = 500, trace_rows: int = 50, window_rows: int = 300) -> Outcome:
    """A run in which everything happens."""
    return run(
        folder, BUSY_LAW, 5000, TURN, log_rows=log_rows, sample_cycles=170, trace_rows=trace_rows,
        window_rows=window_rows, control_cycles=170,
    )  # fmt: skip


def test_a_run_repeated_is_the_same_to_the_last_bit(tmp_path: Path) -> None:
    first, second = busy(tmp_path), busy(tmp_path)
    assert first.ending == DONE
    assert 0 < len(first.rows) < 500  # the whole run is in it
    assert np.array_equal(first.rows, second.rows)
    assert first.trace.tobytes() == second.trace.tobytes()
    assert first.window.tobytes() == second.window.tobytes()
    assert first.state.tobytes() == second.state.tobytes()
    assert first.counters.tobytes() == second.counters.tobytes()


@pytest.mark.parametrize("rows", [{"log_rows": 0}, {"trace_rows": 0}, {"window_rows": 0}])
def test_recording_less_does_not_change_what_happens(tmp_path: Path, rows: dict[str, int]) -> None:
    full, less = busy(tmp_path), busy(tmp_path, **rows)
    # What the next trace row needs is kept only as long as there is room for one.
    bookkeeping = {
        "log_rows",
        "trace_rows",
        *(name for name in PROCESSOR_STATE.names or () if name.startswith("sample_")),
    }
    for name in set(PROCESSOR_STATE.names or ()) - bookkeeping:
        assert np.array_equal(full.counters[name], less.counters[name]), name
    for name in set(full.state.dtype.names or ()) - {"window_rows"}:
        assert np.array_equal(full.state[name], less.state[name]), name
    assert np.array_equal(full.ints, less.ints)


def test_a_full_log_keeps_its_first_rows(tmp_path: Path) -> None:
    assert busy(tmp_path, log_rows=7).log == busy(tmp_path).log[:7]


def _stepping(folder: Path) -> dict[str, list[float]]:
    """Trace columns of steps every 50 cycles beside a rotor of 300 cycles per turn, sampled every 300
    cycles."""
    text = law(
        on_start="self.seen = 50\nhw.set_compare(50)",
        on_step_timer="""
            self.n += 1
            if self.n == 6:
                self.n = 0
            hw.set_step(self.n)
            self.seen = wrap_add(self.seen, 50)
            hw.set_compare(self.seen)
            """,
    )
    # Step 1 is written at 63 and belongs 50 cycles after the edge: with the edge at 3 every step is
    # 10 cycles, 12 degrees, late.
    ran = run(
        folder,
        text,
        1000,
        Rotor(3.0, 300.0),
        sample_cycles=300,
        trace_rows=10,
        commands=((0.0, 10.0), (0.0005, 20.0)),
    )
    return {name: list(ran.trace[:, column]) for column, name in enumerate(TRACE_COLUMNS)}


def test_the_trace_has_a_row_at_every_multiple_of_the_sample_interval(tmp_path: Path) -> None:
    assert _stepping(tmp_path)["t_s"] == [300e-6, 600e-6, 900e-6]


def test_the_trace_gives_mean_speed_and_step_time(tmp_path: Path) -> None:
    trace = _stepping(tmp_path)
    assert trace["speed_rpm"] == pytest.approx(
        [60e6 / 300] * 3, rel=1e-9
    )  # 300 us a turn; rounding of angles
    # Steps at 63, ..., 263 are five since reset; from then on six in 300 cycles.
    assert trace["step_time_ticks"] == [263 / 5, 50.0, 50.0]


def test_the_trace_gives_command_load_lateness_and_angle_error(tmp_path: Path) -> None:
    trace = _stepping(tmp_path)
    assert trace["command_rpm"] == [10.0, 20.0, 20.0]
    # One handler: entry 10, step 3, compare 3, RET 1, exit 5 = 22. A sample comes before the handler of
    # its own cycle:
    # start 4 and five handlers, then six.
    assert trace["cpu_load"] == pytest.approx(
        [(4 + 5 * 22) / 300, 6 * 22 / 300, 6 * 22 / 300], rel=1e-12
    )  # rounding
    assert trace["lateness_deg"] == pytest.approx([13 * 360 / 300] * 3, rel=1e-9)  # entry 10 and OUT 3
    assert trace["angle_error_deg"] == pytest.approx(
        [12.0] * 3, abs=1e-4
    )  # the least hysteresis is 6e-5 degrees
    assert trace["duty"] == [0.0, 0.0, 0.0]


def test_an_interval_without_a_step_keeps_the_step_time(tmp_path: Path) -> None:
    text = law(on_start="hw.set_step(1)\nself.x = self.x * self.x\nhw.set_step(2)")  # steps at 3 and 106
    ran = run(tmp_path, text, 700, sample_cycles=300, trace_rows=10)
    assert list(ran.trace[:, TRACE_COLUMNS.index("step_time_ticks")]) == [53.0, 53.0]
