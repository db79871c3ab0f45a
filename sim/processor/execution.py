"""What the running code does until its next hardware access, and where it stands when it is interrupted.

Code that nothing can interrupt runs ahead to that access at once: nothing outside can tell the difference,
since only accesses touch the outside. Code that can be interrupted is run ahead on a copy of the variables,
only to learn the cycle of the access (`go_on`); the real ones follow when that cycle is reached, or as far as
an interrupt lets it get (`catch_up`).
"""

from typing import NamedTuple

from controllers.jit import kernel
from controllers.machine import run, run_until
from controllers.opcodes import RET
from sim.plant.records import Record
from sim.processor.records import MAIN_LOOP, NEVER


class Machine(NamedTuple):
    """The arrays of a Program that `controllers.machine` works on."""

    code: Record
    cost: Record
    ints: Record
    floats: Record
    faults: Record


@kernel
def _copy_variables(m: Machine, scratch: Machine) -> None:
    """Make the variables of `scratch` those of `m`."""
    for slot in range(m.ints.shape[0]):
        scratch.ints[slot] = m.ints[slot]
        scratch.floats[slot] = m.floats[slot]


@kernel
def _same_variables(m: Machine, scratch: Machine) -> bool:
    """Whether no variable differs; a NaN differs from itself."""
    for slot in range(m.ints.shape[0]):
        if scratch.ints[slot] != m.ints[slot] or scratch.floats[slot] != m.floats[slot]:
            return False
    return True


@kernel
def _take_faults(scratch: Machine) -> bool:
    """Whether peeking has counted faults since it was last asked; clears them."""
    found = False
    for pc in range(scratch.faults.shape[0]):
        for kind in range(scratch.faults.shape[1]):
            if scratch.faults[pc, kind] != 0:
                scratch.faults[pc, kind] = 0
                found = True
    return found


@kernel
def _is_idle(c: Record, k: Record, m: Machine, scratch: Machine) -> bool:
    """Whether the round of the main loop that `scratch` has gone through was whole and changed nothing, and
    no flag that a polling loop would find waits."""
    for handler in range(MAIN_LOOP):
        if k.pending[handler]:
            return False
    return k.pc == c.handler_pc[MAIN_LOOP] and _same_variables(m, scratch) and not _take_faults(scratch)


@kernel
def go_on(c: Record, k: Record, m: Machine, scratch: Machine) -> None:
    """Set `k.resume`, the cycle of the next access, return or end of a round of the code at `k.pc`.

    A whole round of the main loop that changes no variable and touches no port repeats until a flag rises:
    such rounds are not played through, `k.spin` is the length of one.
    """
    is_tried = k.handler == MAIN_LOOP or c.level[k.handler] < c.top_level
    if is_tried:
        _copy_variables(m, scratch)
    ints, floats = (scratch.ints, scratch.floats) if is_tried else (m.ints, m.floats)
    faults = scratch.faults if is_tried else m.faults
    pc, cycles = run(m.code, m.cost, ints, floats, faults, k.pc)
    k.resume = k.at + cycles
    if not is_tried:
        k.pc = pc
        k.at = k.resume
    elif k.handler == MAIN_LOOP and m.code[pc, 0] == RET:
        if _is_idle(c, k, m, scratch):
            k.spin = cycles + c.loop_cycles
            k.resume = NEVER
        elif not c.polls:
            k.resume += c.loop_cycles


@kernel
def catch_up(k: Record, m: Machine) -> None:
    """Do what the running code does by `k.now`, but for an access or return; of the instruction in progress,
    `k.now - k.at` cycles have passed then."""
    end_spinning(k, k.now)
    k.pc, cycles = run_until(m.code, m.cost, m.ints, m.floats, m.faults, k.pc, k.now - k.at)
    k.at += cycles


@kernel
def end_round(k: Record, end_cycle: int) -> None:
    """Book a round of the main loop; the next one begins at `end_cycle`."""
    cycles = end_cycle - k.entered[MAIN_LOOP]
    own = cycles - k.stolen[MAIN_LOOP]
    k.main_cycles += own
    k.runs[MAIN_LOOP] += 1
    k.worst_cycles[MAIN_LOOP] = max(k.worst_cycles[MAIN_LOOP], own)
    k.worst_response[MAIN_LOOP] = max(k.worst_response[MAIN_LOOP], cycles)
    k.entered[MAIN_LOOP] = end_cycle
    k.stolen[MAIN_LOOP] = 0


@kernel
def end_spinning(k: Record, by_cycle: int) -> None:
    """Book the idle rounds that were over by a cycle; the first of them may have been interrupted before."""
    if k.spin == 0:
        return
    rounds = (by_cycle - k.at) // k.spin
    if rounds > 0:
        end_round(k, k.at + k.spin)
        more_cycles = (rounds - 1) * k.spin
        k.runs[MAIN_LOOP] += rounds - 1
        k.main_cycles += more_cycles
        k.entered[MAIN_LOOP] += more_cycles
        k.at += rounds * k.spin
    k.spin = 0
