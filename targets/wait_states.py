"""What the wait states of the flash cost: a target as it is at a certain CPU clock.

The model: a flash read brings `memory.fetch_bytes` of code and takes so many cycles more as there are wait
states. One such line is held. Where `memory.reads_ahead`, the next one is read meanwhile, and straight code
waits only for what is left of that read when the held line has run; elsewhere it pays in full for each line
(`controllers.flash_lines` adds that, where a program is laid out). A jump pays in full for the line it lands
in, and a constant that is read from flash for its own.
Not modelled: what a cache in front of the flash spares. A core that has one is faster than this.
"""

from collections.abc import Mapping
from math import ceil, floor

from targets.schema import Cost, Target
from targets.sections import Compiler, Frame, Memory, SavedRegisters

_JUMPS = {"entry_cycles": 2, "exit_cycles": 1, "tail_chain_cycles": 2, "call_cycles": 1, "return_cycles": 1}
"""Flash reads by jumps: the vector and the line it leads to, the line returned to."""
_SAVING = ("entry_cycles", "exit_cycles")
_POLL_BYTES = 8  # load the flag register, test, jump back; derived here
_ACCESS_BYTES_PER_CYCLE = 1.0  # code that saves, restores, polls: 16-bit loads and stores of 2 cycles
_LOAD_BYTES = 2  # the instruction that loads a constant from behind the code
_ADDRESSED = ("load", "store", "table_at", "io_")


def at_clock(target: Target, clock_Hz: float) -> Target:
    """The target with the wait states that its flash needs at a CPU clock [Hz] in all its prices but the
    lines of straight code; itself where it needs none."""
    waits = target.memory.wait_states(clock_Hz)
    if waits == 0:
        return target
    return target.model_copy(
        update={
            "costs": {key: _priced(key, cost, target, waits) for key, cost in target.costs.items()},
            "interrupt": target.interrupt.model_copy(update=_sequences(target, waits)),
            "compiler": _addressing(target.compiler, waits),
            "frame": _frame(target, waits),
            "wait_states": waits,
        }
    )


def literals(key: str, cost: Cost, compiler: Compiler | None) -> int:
    """How many addresses and constants of an operation lie behind the code and are loaded from there."""
    if compiler is None or not compiler.literal_bytes:
        return 0
    if key.startswith("const"):
        return cost.flash_bytes // (_LOAD_BYTES + compiler.literal_bytes)
    return int(key.startswith(_ADDRESSED))


def _addressing(compiler: Compiler | None, waits: int) -> Compiler | None:
    if compiler is None or not compiler.literal_bytes:
        return compiler
    return compiler.model_copy(update={"address_cycles": compiler.address_cycles + waits})


def _frame(target: Target, waits: int) -> Frame:
    """Saving and restoring registers is straight code; the line it begins in is part of the entry."""
    memory, frame = target.memory, target.frame
    per_cycle = _left(memory, waits, _ACCESS_BYTES_PER_CYCLE) * _ACCESS_BYTES_PER_CYCLE / memory.fetch_bytes

    def waiting(saved: SavedRegisters) -> SavedRegisters:
        cycles = tuple(n + round(per_cycle * n) for n in saved.cycles)
        return saved.model_copy(update={"cycles": cycles})

    return frame.model_copy(update={"leaf": waiting(frame.leaf), "calling": waiting(frame.calling)})


def _priced(key: str, cost: Cost, target: Target, waits: int) -> Cost:
    """The cost of one operation, its lines of straight code in line left out.

    A branch lands elsewhere in its dearer case; half of the typical ones do. A constant table lies in flash.
    """
    if cost.routine is not None:
        return _routine(cost, target.memory, waits)
    if "_branch_" in key or key == "index_check":
        return _longer(cost, 0, ceil(waits / 2), waits)
    reads = literals(key, cost, target.compiler) + (key == "jump" or key.startswith("table_at"))
    at_least = 0 if key.startswith("const") else reads  # the cheapest constants are part of the instruction
    return _longer(cost, waits * at_least, waits * reads, waits * reads)


def _routine(cost: Cost, memory: Memory, waits: int) -> Cost:
    """The cost of a library routine: it runs through so much code per cycle, jumps included, and returns to
    another line.

    Where the flash reads ahead, one such read follows each jump: after the rest of the line that the jump
    lands in, which is as likely to be short as long. All other lines have run whole.
    """
    lines = memory.library_bytes_per_cycle / memory.fetch_bytes
    per_cycle = lines * waits
    if memory.reads_ahead:
        jumps = memory.library_jumps_per_cycle
        landing = waits + _left_after_landing(memory, waits)
        straight = max(0.0, lines - 2 * jumps)
        per_cycle = jumps * landing + straight * _left(memory, waits, memory.straight_bytes_per_cycle)
    return _longer(
        cost,
        waits + floor(per_cycle * cost.cycles_min),
        waits + round(per_cycle * cost.cycles_typical),
        waits + ceil(per_cycle * cost.cycles_max),
    )


def _left(memory: Memory, waits: int, bytes_per_cycle: float) -> float:
    """Cycles that straight code of that density waits for each line."""
    if not memory.reads_ahead:
        return waits
    return max(0.0, waits + 1 - memory.fetch_bytes / bytes_per_cycle)


def _left_after_landing(memory: Memory, waits: int) -> float:
    """Mean wait for the line that follows the one a jump has landed in, anywhere in it."""
    line_cycles = max(1, floor(memory.fetch_bytes / memory.straight_bytes_per_cycle))
    return sum(max(0, waits + 1 - cycles) for cycles in range(1, line_cycles + 1)) / line_cycles


def _longer(cost: Cost, low: int, typical: int, high: int) -> Cost:
    return cost.model_copy(
        update={
            "cycles_min": cost.cycles_min + low,
            "cycles_typical": cost.cycles_typical + typical,
            "cycles_max": cost.cycles_max + high,
        }
    )


def _sequences(target: Target, waits: int) -> Mapping[str, int]:
    """Fields of Interrupt. What a core cannot do (0 cycles) stays so."""
    memory, interrupt = target.memory, target.interrupt
    lines_wait = _left(memory, waits, _ACCESS_BYTES_PER_CYCLE) / memory.fetch_bytes
    waiting = {name: float(waits * count) for name, count in _JUMPS.items()}
    for name in _SAVING:
        waiting[name] += lines_wait * interrupt.saving_code_bytes
    has_literal = target.compiler is not None and target.compiler.literal_bytes > 0
    waiting["poll_cycles"] = waits * (1 + has_literal) + lines_wait * _POLL_BYTES
    cycles = {name: getattr(interrupt, name) for name in waiting}
    return {name: cycles[name] + ceil(waiting[name]) for name in waiting if cycles[name]}
