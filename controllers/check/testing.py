"""For property tests of your own: a law on the bench, and hypothesis strategies of what can happen to it.

from hypothesis import given, settings
from controllers.check.testing import bench, scenarios

law = bench("my_law.py", target="m0", prescaler=8, arithmetic="i32")

@settings(deadline=None)
@given(scenarios(law))
def test_the_duty_never_exceeds_half(scenario):
    writes = law.writes(scenario, "set_duty")
    assert all(value <= law.hardware.duty_top // 2 for _, value in writes)
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy

from controllers.binding import Binding
from controllers.catalogue import law_path
from controllers.check.explain import statics
from controllers.check.scenario import Event, Scenario
from controllers.check.space import Space, free_space
from controllers.check.stand import Bench, Hardware
from controllers.check.traces import trace_of
from controllers.cost import MAXIMUM, link
from controllers.lower import compile_law
from controllers.play import WRITTEN, play, random_inputs_shape
from controllers.ports import OUT_PORTS
from targets import Target, at_clock, load_target

PWM_Hz: Final = 20_000.0
CONTROL_PERIOD_S: Final = 0.005


class LawBench(Bench):
    """A Bench with what tests ask for most."""

    def writes(self, scenario: Scenario, port: str) -> list[tuple[int, int]]:
        """(CPU clock since reset, value) of every write to a port, such as "set_duty"."""
        trace = trace_of(self, scenario)
        index = [row.name for row in OUT_PORTS].index(port)
        rows = trace.rows[trace.writes]
        return [(int(row[0]), int(row[3])) for row in rows if row[2] == index]


@dataclass(frozen=True)
class Call:
    """What one call of a handler did: writes (port, value) in order, statics afterwards in stored form, and
    whether the machine counted a fault (overflow, division by zero, conversion, index)."""

    writes: tuple[tuple[str, int], ...]
    state: dict[str, int | float]
    is_faulty: bool


def bench(
    law: str | Path,
    arithmetic: str = "i32",
    target: str = "m0",
    prescaler: int = 8,
    pole_pairs: int = 2,
    parameters: Mapping[str, float] | None = None,
) -> LawBench:
    """A law on the bench, its handlers at their longest times, 20 kHz PWM, a control tick every 5 ms, the
    usual clock of the target.

    Args:
        law: a shipped law or the path of a law file.
        arithmetic, target, prescaler, pole_pairs, parameters: as in a scenario.
    Raises:
        InputError: no such law or target, or faults of the law.
    """
    chip = load_target(target)
    chip = at_clock(chip, chip.clock.default_Hz)
    hardware = _hardware(chip, prescaler)
    binding = Binding(
        arithmetic=arithmetic,
        timer_bits=hardware.timer_bits,
        tick_Hz=1.0 / hardware.tick_s,
        pole_pairs=pole_pairs,
        duty_top=hardware.duty_top,
        control_period_s=CONTROL_PERIOD_S,
        parameters=parameters or {},
    )
    linked = link(compile_law(law_path(str(law)), binding), chip)
    return LawBench(linked, hardware, linked.cycles[:, MAXIMUM])


def _hardware(chip: Target, prescaler: int) -> Hardware:
    clock_Hz = chip.clock.default_Hz
    return Hardware(
        clock_Hz=clock_Hz,
        tick_cycles=prescaler * chip.step_timer.clock_divider,
        timer_bits=chip.step_timer.width_bits,
        entry_cycles=chip.interrupt.entry_cycles,
        exit_cycles=chip.interrupt.exit_cycles,
        control_cycles=round(CONTROL_PERIOD_S * clock_Hz),
        duty_top=round(clock_Hz / chip.pwm.clock_divider / PWM_Hz),
    )


def _space(law: Bench) -> Space:
    return free_space(law.program, law.hardware)


def scenarios(law: Bench) -> SearchStrategy[Scenario]:
    """Anything from outside, in any order: edges, spikes, pauses, commands."""
    return _space(law).scenarios()


def events(law: Bench) -> SearchStrategy[Event]:
    """One event, to build scenarios of your own: Scenario(events=(a, b, ...))."""
    return scenarios(law).filter(lambda scenario: scenario.events).map(lambda scenario: scenario.events[0])


def states(law: Bench) -> SearchStrategy[dict[str, int]]:
    """Any value of every static variable, in stored form."""
    ranges = {name: st.integers(low, high) for _, name, low, high in _space(law).statics}
    return st.fixed_dictionaries(ranges)


def call(law: Bench, handler: str, state: Mapping[str, float], inputs: Sequence[int] = ()) -> Call:
    """Call one handler from a state; statics that `state` leaves out have their initial values. `inputs`
    answer the reads in their order, 0 where there are more."""
    program = law.program
    first = {**statics(program, program.ints, program.floats), **state}
    whole = np.array([[int(first[name]) for name in program.statics]], dtype=np.int64)
    real = np.array([[float(first[name]) for name in program.statics]])
    answers = np.zeros(random_inputs_shape(program, 1), dtype=np.int64)
    answers[0, : len(inputs)] = inputs
    done = play(program, [program.handlers[handler]], whole, real, answers)
    after = _after(law, done)
    written = int(done.counts[0, WRITTEN])
    pairs = zip(done.ports[0, :written], done.values[0, :written], strict=True)
    writes = tuple((OUT_PORTS[int(port)].name, int(value)) for port, value in pairs)
    return Call(writes, after, bool(done.faulty[0]))


def _after(law: Bench, done: Any) -> dict[str, int | float]:
    program = law.program
    ints, floats = program.ints.copy(), program.floats.copy()
    for column, slot in enumerate(program.statics.values()):
        ints[slot], floats[slot] = done.after[0, column], done.after_real[0, column]
    return statics(program, ints, floats)
