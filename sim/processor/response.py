"""Response times of handlers by formula: how long after its event a handler is done, at worst.

`sim.run.responses` asks for those of a run.

The events of a handler come at least a period apart; costs hold entry and exit. The formulas are held against
published answers, and against the processor model itself, in tests/processor/test_response.py.
"""

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple


class Task(NamedTuple):
    """A handler: its longest run and the shortest time between two of its events, in the same unit."""

    cycles: int
    period: int


def response_time(cycles: int, above: Sequence[Task], blocking: int, limit: int) -> int | None:
    """Longest time from the event to the end where handlers interrupt each other: the least solution of
    R = C + B + sum over j above of ceil(R / T_j) C_j (Joseph and Pandya, Computer Journal 29(5), 1986).

    Args:
        cycles: C, the longest run of the handler.
        above: the handlers that interrupt it.
        blocking: B, the longest time that lower ones keep it waiting (interrupts masked, entry sequences).
        limit: where to give up; the handlers above may leave no time at all.
    Returns: None beyond `limit`.
    """
    response = cycles + blocking
    while response <= limit:
        longer = cycles + blocking + sum(-(-response // task.period) * task.cycles for task in above)
        if longer == response:
            return response
        response = longer
    return None


def one_level_response_time(task: Task, above: Sequence[Task], blocking: int, limit: int) -> int | None:
    """Longest time from the event to the end where no handler interrupts another, those `above` going first.

    R = s + C - (k - 1) T with the least s = B + (k - 1) C + sum over j above of (floor(s / T_j) + 1) C_j, the
    largest over all runs k of a busy period (Buttazzo, Hard Real-Time Computing Systems, chapter 8).

    Args:
        task: the handler.
        above, limit: as in `response_time`.
        blocking: B, the longest run of any other handler, less the one cycle by which it came first.
    Returns: None beyond `limit`, and where the handlers ask for more than the whole time.
    """
    if sum(Fraction(one.cycles, one.period) for one in (task, *above)) > 1:
        return None  # no busy period ends; the limit may be many millions of runs away
    worst, k = 0, 1
    while True:
        start = _start(blocking + (k - 1) * task.cycles, above, limit)
        if start is None:
            return None
        worst = max(worst, start + task.cycles - (k - 1) * task.period)
        if start + task.cycles <= k * task.period:  # done before its next event: the busy period ends here
            return worst
        k += 1


def _start(waiting: int, above: Sequence[Task], limit: int) -> int | None:
    """Least s = `waiting` + sum of (floor(s / T_j) + 1) C_j."""
    start = waiting
    while start <= limit:
        later = waiting + sum((start // task.period + 1) * task.cycles for task in above)
        if later == start:
            return start
        start = later
    return None
