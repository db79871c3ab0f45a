"""What a play looked like from outside: edges, steps and duties with their cycles."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers.check.bench.records import LOG_EDGE, LOG_LEAVE, LOG_WRITE, STEP_TIMER
from controllers.check.explain import LOG_ROWS
from controllers.check.scenario import Scenario
from controllers.check.stand import Bench
from controllers.ports import OUT_COMPARE, OUT_DUTY, OUT_STEP

_CYCLE, _KIND, _A, _B, _PC = range(5)


@dataclass(frozen=True, eq=False)
class Trace:
    """Rows of the log of one play, int64[n, 5]; cycles count from reset. call: number of the handler call
    that each row belongs to."""

    rows: Any
    call: Any
    is_complete: bool

    def _of(self, kind: int, port: int | None = None) -> Any:
        chosen = self.rows[:, _KIND] == kind
        return np.flatnonzero(chosen if port is None else chosen & (self.rows[:, _A] == port))

    @property
    def writes(self) -> Any:
        """Row numbers of all writes."""
        return self._of(LOG_WRITE)

    @property
    def edges(self) -> Any:
        """Cycles of the Hall edges."""
        return self.rows[self._of(LOG_EDGE), _CYCLE]

    @property
    def steps(self) -> Any:
        """Row numbers of the step writes."""
        return self._of(LOG_WRITE, OUT_STEP)

    @property
    def duties(self) -> Any:
        """Row numbers of the duty writes."""
        return self._of(LOG_WRITE, OUT_DUTY)

    def returns(self, handler: int) -> Any:
        """Row numbers at which a handler returned."""
        return self._of(LOG_LEAVE, handler)

    def cycles(self, numbers: Any) -> Any:
        """Cycles of rows."""
        return self.rows[numbers, _CYCLE]

    def values(self, numbers: Any) -> Any:
        """Values of writes."""
        return self.rows[numbers, _B]

    def duty_at(self, cycle: float, at_reset: int = 0) -> int:
        """The duty register at a cycle."""
        duties = self.duties
        before = duties[self.cycles(duties) <= cycle]
        return int(self.values(before[-1:])[0]) if len(before) else at_reset

    def step_intervals(self, start: float, end: float) -> Any:
        """Cycles between steps that the step timer made one after the other, both in start..end."""
        timed = self.rows[self._entered_by(STEP_TIMER), _CYCLE]
        edges = self.edges
        pairs = np.stack([timed[:-1], timed[1:]], axis=1) if len(timed) > 1 else np.zeros((0, 2), np.int64)
        inside = pairs[(pairs[:, 0] >= start) & (pairs[:, 1] <= end)]
        is_whole = np.searchsorted(edges, inside[:, 0]) == np.searchsorted(edges, inside[:, 1])
        return (inside[:, 1] - inside[:, 0])[is_whole]

    def _entered_by(self, handler: int) -> Any:
        """Row numbers of the step writes of one handler."""
        leaves = self._of(LOG_LEAVE)
        handlers = self.rows[leaves, _A]
        steps = self.steps
        known = steps[self.call[steps] < len(handlers)]
        return known[handlers[self.call[known]] == handler]


def trace_of(bench: Bench, scenario: Scenario) -> Trace:
    """Play a scenario and keep its log, cycles from reset; not complete either where the log is full."""
    outcome = bench.play(scenario, LOG_ROWS)
    rows = outcome.log
    rows[:, _CYCLE] -= scenario.start_ticks * bench.hardware.tick_cycles
    leaves = rows[:, _KIND] == LOG_LEAVE
    call = np.cumsum(leaves) - leaves
    return Trace(rows, call, outcome.is_complete and len(rows) < LOG_ROWS)


def comparable(trace: Trace, start_ticks: int, timer_range: int) -> Any:
    """Every write as (cycle, port, value), compare values counted from reset: int64[n, 3]."""
    rows = trace.rows[trace.writes][:, [_CYCLE, _A, _B]]
    is_compare = rows[:, 1] == OUT_COMPARE
    rows[is_compare, 2] = (rows[is_compare, 2] - start_ticks) % timer_range
    return rows
