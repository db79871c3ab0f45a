"""What the wait states of the flash cost: a target as it is at a certain CPU clock.

The model: a flash read brings `memory.fetch_bytes` of code and takes so many cycles more as there are wait
states. One such line is held, nothing is read ahead. So straight code pays once for each line
(`controllers.cost` adds that, where it lays out a program), and a jump once for the line it lands in.
Prefetch buffers hide a part of the first, caches of both: a core that has one is faster than this, at most
by all of it.
"""

from collections.abc import Mapping
from math import ceil, floor

from targets.schema import Cost, Interrupt, Memory, Target

_READS = {"entry_cycles": 2, "exit_cycles": 1, "tail_chain_cycles": 2, "call_cycles": 1, "return_cycles": 1}
"""Flash reads by jumps: the vector and the line it leads to, the line returned to."""
_SAVING = ("entry_cycles", "exit_cycles")
_POLL_BYTES = 8  # load the flag register, test, jump back; derived here


def at_clock(target: Target, clock_Hz: float) -> Target:
    """The target with the wait states that its flash needs at a CPU clock [Hz] in all its prices but the
    lines of straight code; itself where it needs none."""
    waits = target.memory.wait_states(clock_Hz)
    if waits == 0:
        return target
    memory = target.memory
    costs = {key: _priced(key, cost, memory, waits) for key, cost in target.costs.items()}
    interrupt = target.interrupt.model_copy(update=_sequences(target.interrupt, memory, waits))
    return target.model_copy(update={"costs": costs, "interrupt": interrupt, "wait_states": waits})


def lines_begun(start_byte: int, size_bytes: int, fetch_bytes: int) -> int:
    """Flash lines that begin within straight code of that place and size."""
    return -(-(start_byte + size_bytes) // fetch_bytes) + -start_byte // fetch_bytes


def _priced(key: str, cost: Cost, memory: Memory, waits: int) -> Cost:
    """The cost of one operation, its lines of straight code in line left out.

    A branch lands elsewhere in its dearer case; half of the typical ones do. A constant table lies in flash.
    A library routine runs through so much code per cycle, jumps included, and returns to another line.
    """
    if cost.routine is not None:
        reads = memory.library_bytes_per_cycle / memory.fetch_bytes
        return _longer(
            cost,
            waits + floor(waits * reads * cost.cycles_min),
            waits + round(waits * reads * cost.cycles_typical),
            waits + ceil(waits * reads * cost.cycles_max),
        )
    if key == "jump" or key.startswith("table_at"):
        return _longer(cost, waits, waits, waits)
    if "_branch_" in key or key == "index_check":
        return _longer(cost, 0, ceil(waits / 2), waits)
    return cost


def _longer(cost: Cost, low: int, typical: int, high: int) -> Cost:
    return cost.model_copy(
        update={
            "cycles_min": cost.cycles_min + low,
            "cycles_typical": cost.cycles_typical + typical,
            "cycles_max": cost.cycles_max + high,
        }
    )


def _sequences(interrupt: Interrupt, memory: Memory, waits: int) -> Mapping[str, int]:
    """Fields of Interrupt. What a core cannot do (0 cycles) stays so."""
    reads = {name: float(count) for name, count in _READS.items()}
    for name in _SAVING:
        reads[name] += interrupt.saving_code_bytes / memory.fetch_bytes
    reads["poll_cycles"] = 1 + _POLL_BYTES / memory.fetch_bytes
    cycles = {name: getattr(interrupt, name) for name in reads}
    return {name: cycles[name] + ceil(waits * reads[name]) for name in reads if cycles[name]}
