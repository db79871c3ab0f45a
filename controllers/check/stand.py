"""A Program on the bench: scenarios in, what it did out."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers.check.bench.play import ENDED, native_play
from controllers.check.bench.records import (
    BENCH,
    BENCH_STATE,
    FINDINGS,
    LOG_COLUMNS,
    NEVER,
    NO_FINDING,
    START,
)
from controllers.check.cover import Marked, marked
from controllers.check.scenario import Scenario
from controllers.cost import LinkedProgram
from controllers.faults import FAULT_NAMES
from controllers.graph import reachable
from controllers.ports import STEP_OFF
from controllers.program import Program

MAX_CALLS = 400_000
"""Handlers run in one scenario before it is given up: one that steps blindly through a wrap of a 32-bit timer
would take minutes."""


@dataclass(frozen=True)
class Hardware:
    """What surrounds the Program: CPU clock [Hz], CPU clocks per count of the step timer, its width, CPU
    clocks of interrupt entry and exit and between two control ticks, and PWM counts at full duty.
    reads_count: nothing captures the count at a Hall edge, the handler reads it."""

    clock_Hz: float
    tick_cycles: int
    timer_bits: int
    entry_cycles: int
    exit_cycles: int
    control_cycles: int
    duty_top: int
    reads_count: bool = False

    @property
    def timer_range(self) -> int:
        """Ticks until the timer wraps."""
        return 1 << self.timer_bits

    @property
    def tick_s(self) -> float:
        """Length of one count of the step timer [s]."""
        return self.tick_cycles / self.clock_Hz


@dataclass(frozen=True)
class Motor:
    """The stand-in of `bench.motor`: time constant [s], no-load speed at full duty [rpm], friction as a part
    of the drive at full duty."""

    lag_s: float
    no_load_rpm: float
    load: float


@dataclass(frozen=True, eq=False)
class Outcome:
    """What one play left. state: BENCH_STATE record; ints, floats: the slots at the end; faults: int64[n, 4]
    by pc of the Program; log: rows of LOG_COLUMNS; before: slots as the last handler found them (ints,
    floats), filled where the number of calls was given; is_complete: all events were played."""

    state: Any
    ints: Any
    floats: Any
    faults: Any
    log: Any
    before: tuple[Any, Any]
    is_complete: bool

    def found(self, finding: str) -> int:
        """How often one of FINDINGS."""
        return int(self.state["found"][FINDINGS.index(finding)])


class Bench:
    """One Program with its costs on one set of hardware; scenarios are played on it one at a time.

    Args:
        linked: the Program and what it costs.
        hardware: what surrounds it.
        cycles: CPU clocks of each instruction, int64[n]; 0 for all where only the arithmetic matters.
        motor: what turns in a `drive` event.
    """

    def __init__(
        self, linked: LinkedProgram, hardware: Hardware, cycles: Any, motor: Motor | None = None
    ) -> None:
        self.linked = linked
        self.program: Program = linked.program
        self.hardware = hardware
        self.marks: Marked = marked(self.program)
        self.covered = np.zeros(len(self.marks.sides), dtype=np.int64)
        self.calls = 0
        self.plays = 0
        self._constants = self._bench_record(motor)
        is_free = self.marks.is_mark | self._of_main_loop()
        self._cost = np.where(is_free, 0, cycles[self.marks.origin]).astype(np.int64)
        self._ints = np.zeros(self.marks.slots, dtype=np.int64)
        self._ints[: len(self.program.ints)] = self.program.ints
        self._ints[-1] = 1
        self._floats = np.zeros(self.marks.slots)
        self._floats[: len(self.program.floats)] = self.program.floats
        self._work = _Work(len(self.marks.code), self.marks.slots)
        self._log = np.zeros((0, len(LOG_COLUMNS)), dtype=np.int64)

    def _of_main_loop(self) -> Any:
        """Rows of the marked code that belong to the main loop."""
        first = self.program.handlers.get("main_loop")
        pcs = set() if first is None else reachable(self.program, first)
        return np.isin(self.marks.origin, list(pcs))

    def _bench_record(self, motor: Motor | None) -> Any:
        h, c = self.hardware, np.zeros(1, BENCH)
        has_tick = "on_control_tick" in self.program.handlers
        values = {
            "entry_cycles": h.entry_cycles,
            "exit_cycles": h.exit_cycles,
            "tick_cycles": h.tick_cycles,
            "timer_mask": h.timer_range - 1,
            "reads_count": h.reads_count,
            "control_cycles": h.control_cycles if has_tick else 0,
            "duty_top": h.duty_top,
            "handler_pc": self.marks.entries,
        }
        if motor is not None:
            turns_per_s = motor.no_load_rpm / 60.0 * self.program.binding.pole_pairs
            values |= {
                "motor_lag_cycles": motor.lag_s * h.clock_Hz,
                "motor_turns_per_cycle": turns_per_s / h.clock_Hz,
                "motor_turns_per_cycle_rpm": turns_per_s / h.clock_Hz / motor.no_load_rpm,
                "motor_load": motor.load,
                "motor_cycles": max(1, round(motor.lag_s * h.clock_Hz / 200)),
            }
        for name, value in values.items():
            c[name] = value
        return c

    def play(
        self,
        scenario: Scenario,
        log_rows: int = 0,
        watch: str | None = None,
        calls: int | None = None,
        most_calls: int = MAX_CALLS,
    ) -> Outcome:
        """Play a scenario from reset.

        Args:
            scenario: what happens.
            log_rows: room for the log.
            watch: one of FINDINGS at which the play stops.
            calls: handlers after which it stops; `Outcome.before` is then what the last one found.
            most_calls: handlers after which it is given up.
        """
        c, work = self._constants, self._work
        c["keeps_state"] = calls is not None
        c["max_calls"] = most_calls if calls is None else calls
        c["start_ticks"], c["command_rpm"] = scenario.start_ticks, scenario.command_rpm
        c["watch"] = NO_FINDING if watch is None else FINDINGS.index(watch)
        np.copyto(work.ints, self._ints)
        np.copyto(work.floats, self._floats)
        work.faults.fill(0)
        k, rows = self._reset(scenario), scenario.rows
        log = self._log if not log_rows else np.zeros((log_rows, len(LOG_COLUMNS)), dtype=np.int64)
        ending = native_play(
            c.ctypes.data, k.ctypes.data, self.marks.code.ctypes.data, self._cost.ctypes.data,
            *work.addresses, rows.ctypes.data, log.ctypes.data, *work.before_addresses,
            len(self.marks.code), self.marks.slots, len(rows), len(log),
        )  # fmt: skip
        self._count(k[0])
        return self._outcome(k[0], log, ending == ENDED)

    def _reset(self, scenario: Scenario) -> Any:
        c, k = self._constants[0], np.zeros(1, BENCH_STATE)
        now = scenario.start_ticks * self.hardware.tick_cycles
        control = int(c["control_cycles"])
        record = k[0]
        record["now"] = record["resume"] = record["next_event"] = now
        record["handler"], record["pc"] = START, c["handler_pc"][START]
        record["wake"] = record["match"] = record["fall"] = NEVER
        record["next_tick"] = now + control if control else NEVER
        record["command_rpm"], record["step"] = scenario.command_rpm, STEP_OFF
        record["left"] = record["late_pc"] = -1
        return k

    def _count(self, k: Any) -> None:
        self.plays += 1
        self.calls += int(k["calls"])
        self.covered |= self._work.ints[-len(self.covered) - 1 : -1]

    def _outcome(self, k: Any, log: Any, is_complete: bool) -> Outcome:
        """Views of the work arrays: valid until the next play, but for the log."""
        slots = len(self.program.ints)
        work = self._work
        before = work.before, work.floats_before
        return Outcome(k, work.ints[:slots], work.floats[:slots], work.faults, log[: k["log_rows"]],
                       (before[0][:slots], before[1][:slots]), is_complete)  # fmt: skip

    def origin(self, pc: int) -> int:
        """pc of the Program for a pc of the marked code."""
        return int(self.marks.origin[pc])

    def handler_of(self, pc: int) -> str:
        """The handler that an instruction of the Program belongs to."""
        starts = sorted((first, name) for name, first in self.program.handlers.items() if first <= pc)
        return starts[-1][1]


class _Work:
    """Arrays that every play writes, and their addresses."""

    def __init__(self, instructions: int, slots: int) -> None:
        self.ints = np.zeros(slots, dtype=np.int64)
        self.floats = np.zeros(slots)
        self.faults = np.zeros((instructions, len(FAULT_NAMES)), dtype=np.int64)
        self.before = np.zeros(slots, dtype=np.int64)
        self.floats_before = np.zeros(slots)
        self.addresses = (self.ints.ctypes.data, self.floats.ctypes.data, self.faults.ctypes.data)
        self.before_addresses = (self.before.ctypes.data, self.floats_before.ctypes.data)
