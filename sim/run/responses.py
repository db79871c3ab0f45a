"""The response times of a run's handlers by formula, beside those that the simulation meets.

The worst that can happen once the speed has settled: every path at its longest, all events at the worst
moment. A run sees some of it. While the motor still speeds up, or overshoots, events may come closer
together.
"""

from typing import Any

from controllers.cost import MAXIMUM
from controllers.graph import reachable, successors
from controllers.opcodes import OUT
from controllers.ports import OUT_MASK
from controllers.program import HANDLERS, Program
from sim.processor.records import MAIN_LOOP, SERVICE_ORDER
from sim.processor.response import Task, one_level_response_time, response_time
from sim.run.assemble import Firmware

_GIVE_UP_PERIODS = 20
"""A handler that is not done after so many of the longest period never is."""

MAIN = HANDLERS[MAIN_LOOP]

Periods = dict[str, float]
"""Handler -> shortest time between two of its events [s]."""


def response_bounds_us(
    firmware: Firmware, structure: str, cycles: dict[str, int], periods_s: Periods
) -> dict[str, float | None]:
    """Longest time from the event of each handler until it is done [us]; None where the others leave no time.

    Nothing where no formula holds: handlers that are polled, or take no time, or a motor at rest.

    Args:
        cycles: worst-case CPU clocks of each handler, entry and exit included.
    """
    names = [HANDLERS[place] for place in SERVICE_ORDER if HANDLERS[place] in cycles]
    if structure == "polled" or firmware.costs_nothing or not all(name in periods_s for name in names):
        return {}
    clock_Hz = firmware.clock_Hz / firmware.cycle_scale
    tasks = [Task(cycles[name], max(1, int(periods_s[name] * clock_Hz))) for name in names]
    limit = _GIVE_UP_PERIODS * max((task.period for task in tasks), default=0)
    bounds: dict[str, float | None] = {}
    for place, name in enumerate(names):
        blocking = _blocking(firmware, structure, names[place + 1 :], tasks[place + 1 :])
        if structure == "nested":
            found = response_time(tasks[place].cycles, tasks[:place], blocking, limit)
        else:
            found = one_level_response_time(tasks[place], tasks[:place], blocking, limit)
        bounds[name] = None if found is None else found / clock_Hz * 1e6
    return bounds


def _blocking(firmware: Firmware, structure: str, below: list[str], tasks: list[Task]) -> int:
    """Longest time that code of lower levels keeps a handler waiting: on one level a whole run of a handler
    that came a cycle before, nested its entry or exit sequence; code that masks interrupts on both."""
    masked = masked_cycles(firmware.program, firmware.linked.cycles[:, MAXIMUM])
    waits = [masked.get(MAIN, 0)]
    if structure == "nested":
        interrupt = firmware.target.interrupt
        waits += [max(masked[name], interrupt.entry_cycles, interrupt.exit_cycles) for name in below]
    else:
        waits += [task.cycles - 1 for task in tasks]
    return max(waits)


def masked_cycles(program: Program, cost: Any) -> dict[str, int]:
    """Longest stretch of each handler in which interrupts are masked, the write that unmasks them included;
    cost: int64[n], cycles of each instruction."""
    until_off = [0] * len(program.code)
    for pc in reversed(range(len(program.code))):
        after = 0 if _writes_mask(program, pc, 0) else _longest_after(program, until_off, pc)
        until_off[pc] = int(cost[pc]) + after
    return {
        name: max(
            (_longest_after(program, until_off, pc) for pc in reachable(program, entry)
             if _writes_mask(program, pc, 1)), default=0,
        )
        for name, entry in program.handlers.items()
    }  # fmt: skip


def _longest_after(program: Program, until_off: list[int], pc: int) -> int:
    return max((until_off[target] for target in successors(program, pc)), default=0)


def _writes_mask(program: Program, pc: int, value: int) -> bool:
    row = program.code[pc]
    return bool(row[0] == OUT and row[5] == OUT_MASK and program.ints[row[3]] == value)
