"""What flash wait states cost: the model against code executed line by line, and its bounds.

No published figure of a whole program at several wait states was found; the counts below are of the
definition.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from controllers.accuracy import program_of
from controllers.compiled import measure_law
from controllers.cost import MAXIMUM, TYPICAL, link
from targets import Target, at_clock, load_target, target_names
from targets.wait_states import lines_begun
from tests.controllers.test_estimate import skip_without

WAITING = [name for name in target_names() if load_target(name).memory.wait_states_above_Hz]
CALLS = 12


def just_above(target: Target, wait_states: int) -> Target:
    """The target at the lowest clock that needs so many wait states; itself for none."""
    limits_Hz = target.memory.wait_states_above_Hz
    return at_clock(target, limits_Hz[wait_states - 1] * 1.001) if wait_states else target


def test_the_targets_with_wait_states_are_the_32_bit_ones() -> None:
    assert [name for name in target_names() if load_target(name).memory.word_bits == 32] == [
        name for name in target_names() if name in WAITING or name == "ideal"
    ]


@pytest.mark.parametrize("name", target_names())
def test_below_the_first_limit_nothing_changes(name: str) -> None:
    target = load_target(name)
    limits_Hz = target.memory.wait_states_above_Hz or (target.clock.high_Hz,)
    assert at_clock(target, limits_Hz[0]) is target


@pytest.mark.parametrize(
    ("start", "size", "lines"), [(0, 1, 1), (0, 8, 2), (0, 9, 3), (1, 3, 0), (1, 4, 1), (4, 4, 1), (5, 0, 0)]
)
def test_lines_of_four_bytes_that_begin_in_code(start: int, size: int, lines: int) -> None:
    assert lines_begun(start, size, 4) == lines


def test_straight_code_pays_once_for_each_line() -> None:
    whole = sum(lines_begun(start, 6, 16) for start in range(0, 6 * 100, 6))
    assert whole == -(-600 // 16)


@pytest.mark.parametrize("name", WAITING)
def test_every_wait_state_costs_the_same_reads(name: str) -> None:
    """n wait states cost n times the reads; an instruction rounds what its parts take by less than n + 1."""
    target, program = load_target(name), program_of("step_trim", "i32")
    cycles = [
        link(program, just_above(target, n)).cycles
        for n in range(len(target.memory.wait_states_above_Hz) + 1)
    ]
    reads = cycles[1] - cycles[0]
    assert (reads >= 0).all()
    assert reads.sum() > 0
    for n, waiting in enumerate(cycles):
        assert (np.abs(waiting - cycles[0] - n * reads) <= n + 1).all()


@pytest.mark.parametrize("name", WAITING)
@pytest.mark.parametrize("law", ["step_trim", "duty_pi"])
def test_a_faster_clock_takes_longer_by_the_wait_states_only(name: str, law: str) -> None:
    """Beyond a limit a handler takes more cycles; its time rises there by less than one read for each of its
    cycles could explain, and falls with the clock everywhere else."""
    target, program = load_target(name), program_of(law, "i32")
    free = link(program, target)
    limits_Hz = target.memory.wait_states_above_Hz
    for n, limit_Hz in enumerate(limits_Hz, start=1):
        below, above = link(program, at_clock(target, limit_Hz)), link(program, just_above(target, n))
        for handler, cycles in above.worst_case_cycles.items():
            more = cycles - below.worst_case_cycles[handler]
            # no cycle at zero wait states begins more than one line: a line holds one instruction at least
            assert 0 < more <= free.worst_case_cycles[handler]
        again = link(program, at_clock(target, limit_Hz * 1.1))
        assert again.worst_case_cycles == above.worst_case_cycles


def test_interrupts_wait_for_vector_and_first_line() -> None:
    target = load_target("m3")
    free, waiting = target.interrupt, just_above(target, 2).interrupt
    assert waiting.entry_cycles - free.entry_cycles == 2 * 2
    assert waiting.exit_cycles - free.exit_cycles == 2
    assert waiting.tail_chain_cycles - free.tail_chain_cycles == 2 * 2
    assert waiting.poll_cycles - free.poll_cycles == 2 * 2  # 8 bytes in one line, and a jump
    assert just_above(load_target("m0"), 1).interrupt.tail_chain_cycles == 0  # it cannot, at any clock


def test_software_that_saves_registers_is_read_line_by_line() -> None:
    target = load_target("rv32ec")
    lines = 22 / 4  # of the code that saves ten registers
    waiting = just_above(target, 1).interrupt
    assert waiting.entry_cycles - target.interrupt.entry_cycles == np.ceil(2 + lines)
    assert waiting.exit_cycles - target.interrupt.exit_cycles == np.ceil(1 + lines)


@dataclass
class Waits:
    """Cycles that all handlers of a law wait, each once, on the core and by the model."""

    measured: float = 0.0
    predicted: float = 0.0


def waits_of(law: str, arithmetic: str, name: str, wait_states: int) -> Waits:
    program, target = program_of(law, arithmetic), load_target(name)
    waiting = just_above(target, wait_states)
    free = measure_law(link(program, target), target, CALLS)
    found = measure_law(link(program, waiting), waiting, CALLS)
    assert found.wrong == 0
    waits = Waits()
    for handler, cycles in found.handlers.items():
        waits.measured += cycles.mean - free.handlers[handler].mean
        # the line that a handler begins with is part of the interrupt's entry
        waits.predicted += cycles.typical - free.handlers[handler].typical + wait_states
    return waits


@pytest.mark.parametrize(
    ("arithmetic", "name"),
    [("i32", "m0"), ("f32", "m0"), ("f32", "m0plus"), ("i32", "m4f"), ("f32", "rv32ec"), ("f32", "rv32imc")],
)
def test_the_model_waits_as_often_as_executed_code(arithmetic: str, name: str) -> None:
    """30 %: constants in flash count as a line each in the execution and by their bytes in the model (m4f,
    lines of 16 bytes), and library routines differ by a fifth in the code they read per cycle."""
    skip_without(name)
    waits = waits_of("step_trim", arithmetic, name, 1)
    assert waits.measured > 10.0
    assert waits.predicted == pytest.approx(waits.measured, rel=0.3)


def test_typical_and_worst_costs_wait_both() -> None:
    target = load_target("m0")
    free, waiting = (link(program_of("duty_pi", "f32"), t) for t in (target, just_above(target, 1)))
    for level in (TYPICAL, MAXIMUM):
        assert waiting.cycles[:, level].sum() > 1.2 * free.cycles[:, level].sum()  # 1.7 bytes a cycle of 4
