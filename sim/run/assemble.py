"""From a Design to its compiled firmware and the records of its processor."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import Binding, LinkedProgram, Program, compile_law, law_path, link
from controllers.cost import TYPICAL
from controllers.priorities import PRIORITIES
from controllers.program import ABSENT, HANDLERS
from sim.design import Design
from sim.design.plant_sections import ALL_SENSORS
from sim.plant.records import Record
from sim.processor.records import (
    ASLEEP,
    HALL_EDGE,
    HANDLER_COUNT,
    MAIN_LOOP,
    NEVER,
    PROCESSOR,
    PROCESSOR_STATE,
    START,
)
from sim.run.fill import record
from sim.run.fitted_gains import fitted_gains
from targets import Fault, InputError, Target, at_clock, load_target

FINE_TICK_Hz = 35e6
"""`firmware.idealise = ["tick"]`: at most 35 counts a microsecond; finer ones would take `rpm_ticks` of a
motor with one pole pair beyond 31 bits, and one count then moves a speed of 20,000 rpm by 1 rpm already."""
FINE_TIMER_BITS = 32
EXACT = "f64"
"""Arithmetic of a target that computes exactly, and of `firmware.idealise = ["rounding"]`."""
MIN_PWM_COUNTS = 8
"""A coarser duty than eighths is no control."""
SAMPLES = 2000
"""Rows of the decimated traces per run, more where they would lie further apart than the longest sample."""
LONGEST_SAMPLE_s = 5e-3
SETTLED_PART = 0.1
"""Last part of the run that settled values are of."""
IDEAL_ROUND_s = 1e-6
"""A round of a main loop whose instructions cost nothing: time must pass in it."""


@dataclass(frozen=True)
class Firmware:
    """The compiled and costed firmware of a design, and the timer it runs on.

    `program` is what runs, `cycles` the kernel's cycles of each of its instructions; `linked` is what it
    costs and whether it fits. `clock_Hz`, `tick_cycles` and `pwm_count_cycles` count the kernel's cycles,
    `cycle_scale` of which make one CPU clock. `nominal_Hz`: the clock that the firmware was built for, in the
    same cycles; `clock_Hz` is the real one.
    """

    target: Target
    program: Program
    linked: LinkedProgram
    cycles: NDArray[np.int64]
    clock_Hz: float
    nominal_Hz: float
    tick_cycles: int
    timer_bits: int
    pwm_count_cycles: int
    pwm_top: int
    cycle_scale: int
    costs_nothing: bool

    @property
    def tick_s(self) -> float:
        """Length of one count of the step timer [s]."""
        return self.tick_cycles / self.clock_Hz


@dataclass(frozen=True)
class _Clocks:
    """Clock, step timer and PWM of a design, in the kernel's cycles."""

    nominal_Hz: float
    scale: int
    tick_cycles: int
    timer_bits: int
    pwm_count_cycles: int
    pwm_top: int


def _target_of(design: Design) -> Target:
    """The design's target with the wait states of its clock."""
    target = load_target(design.firmware.target)
    return at_clock(target, design.firmware.clock_Hz or target.clock.default_Hz)


def _clocks(design: Design, target: Target) -> _Clocks:
    """Set up the timers; a finer tick can need a finer cycle: clock and costs are then multiplied by the
    same whole number."""
    settings = design.firmware
    fine = "tick" in settings.idealise or target.exact_arithmetic
    usual_Hz = settings.clock_Hz or target.clock.default_Hz
    scale = max(1, int(FINE_TICK_Hz // usual_Hz)) if fine else 1
    coarse_cycles = settings.prescaler * target.step_timer.clock_divider
    pwm_count_cycles, pwm_top = _pwm_counts(design, target, usual_Hz)
    return _Clocks(
        nominal_Hz=usual_Hz * scale,
        scale=scale,
        tick_cycles=math.ceil(usual_Hz * scale / FINE_TICK_Hz) if fine else coarse_cycles,
        timer_bits=FINE_TIMER_BITS if fine else target.step_timer.width_bits,
        pwm_count_cycles=pwm_count_cycles * scale,
        pwm_top=pwm_top,
    )


def _pwm_counts(design: Design, target: Target, clock_Hz: float) -> tuple[int, int]:
    """CPU clocks per PWM count and counts per period, with the finest prescaler whose period fits the timer.

    Raises:
        InputError: no prescaler makes this PWM frequency.
    """
    pwm_Hz, most = design.drive.pwm_Hz, (1 << target.pwm.width_bits) - 1
    for prescaler in target.pwm.prescalers:
        count_cycles = prescaler * target.pwm.clock_divider
        top = round(clock_Hz / (count_cycles * pwm_Hz))
        if MIN_PWM_COUNTS <= top <= most:
            return count_cycles, top
    rule = f"must divide the clock of {target.name} into {MIN_PWM_COUNTS} to {most} counts (any prescaler)"
    high_Hz = clock_Hz / target.pwm.clock_divider / MIN_PWM_COUNTS
    remedy = (
        f"choose a lower pwm_Hz, {high_Hz:,.0f} Hz at most, or another target"
        if pwm_Hz > high_Hz
        else "choose a higher pwm_Hz"
    )
    raise InputError([Fault("drive.pwm_Hz", rule, f"{pwm_Hz:g} Hz", remedy)])


def _binding(design: Design, clocks: _Clocks, arithmetic: str) -> Binding:
    return Binding(
        arithmetic=arithmetic,
        timer_bits=clocks.timer_bits,
        tick_Hz=clocks.nominal_Hz / clocks.tick_cycles,
        pole_pairs=design.motor.pole_pairs,
        duty_top=clocks.pwm_top,
        control_period_s=design.firmware.control_period_s,
        parameters=dict(design.firmware.parameters),
        fitted=fitted_gains(design),
    )


def binding_of(design: Design) -> Binding:
    """What the design fixes for its law: the arithmetic it states, timer, motor and parameters.

    Raises:
        InputError: no prescaler makes the PWM frequency, or the file of the back-EMF cannot be read.
    """
    clocks = _clocks(design, load_target(design.firmware.target))
    return _binding(design, clocks, design.firmware.arithmetic)


def _compile(design: Design, clocks: _Clocks, arithmetic: str) -> Program:
    """Compile the design's law in an arithmetic."""
    return compile_law(law_path(design.firmware.law), _binding(design, clocks, arithmetic))


def _cycles_like(program: Program, own: LinkedProgram, model: LinkedProgram) -> NDArray[np.int64]:
    """Cycles of each instruction of `program`, scaled per handler so that its longest path costs what it
    does in `model`."""
    cycles = own.cycles[:, TYPICAL].astype(np.float64)
    starts = sorted((pc, name) for name, pc in program.handlers.items())
    ends = [pc for pc, _ in starts[1:]] + [len(cycles)]
    for (start, name), end in zip(starts, ends, strict=True):
        cycles[start:end] *= model.typical_cycles[name] / max(own.typical_cycles[name], 1)
    whole: NDArray[np.int64] = np.rint(cycles).astype(np.int64)
    return whole


def build_firmware(design: Design) -> Firmware:
    """Compile the design's law for its target and link it.

    Raises:
        InputError: faults of the law, of its parameters or of the timer set-up.
    """
    settings = design.firmware
    target = _target_of(design)
    clocks = _clocks(design, target)
    program = _compile(design, clocks, EXACT if target.exact_arithmetic else settings.arithmetic)
    linked = link(program, target, settings.structure)
    cycles = linked.cycles[:, TYPICAL]
    if "rounding" in settings.idealise and not target.exact_arithmetic:
        program = _compile(design, clocks, EXACT)
        cycles = _cycles_like(program, link(program, target, settings.structure), linked)
    costs_nothing = "cost" in settings.idealise
    return Firmware(
        target=target,
        program=program,
        linked=linked,
        cycles=np.ascontiguousarray(cycles * (0 if costs_nothing else clocks.scale)),
        clock_Hz=clocks.nominal_Hz * (1.0 + settings.clock_error_percent / 100.0),
        nominal_Hz=clocks.nominal_Hz,
        tick_cycles=clocks.tick_cycles,
        timer_bits=clocks.timer_bits,
        pwm_count_cycles=clocks.pwm_count_cycles,
        pwm_top=clocks.pwm_top,
        cycle_scale=clocks.scale,
        costs_nothing=costs_nothing,
    )


def check_sensors(design: Design, program: Program) -> None:
    """Refuse a law that deals with Hall edges in a design with another number of sensors than it is written
    for.

    Raises:
        InputError: at hall.sensors, or at hall.edges where a law of three sensors would miss half of them.
    """
    hall, law, needed = design.hall, design.firmware.law, program.sensors
    if HANDLERS[HALL_EDGE] not in program.handlers:
        return
    if hall.sensors != needed:
        rule = f"must be {needed}, which the law {law} is written for"
        remedy = (
            'set hall.sensors = 3 and hall.edges = "both"'
            if needed == ALL_SENSORS
            else "set hall.sensors = 1, or declare SENSORS = const(u8, 3) in a law file that reads all three"
        )
        raise InputError([Fault("hall.sensors", rule, f"{hall.sensors}", remedy)])
    if needed == ALL_SENSORS and hall.edges != "both":
        rule = f'must be "both", since the law {law} makes every step at an edge'
        raise InputError([Fault("hall.edges", rule, f'"{hall.edges}"', 'set hall.edges = "both"')])


def levels(structure: str, has_main_loop: bool) -> dict[str, Any]:
    """Fields of PROCESSOR that say what interrupts what."""
    levels = [PRIORITIES[structure].get(name, 0) for name in HANDLERS]
    return {"level": levels, "top_level": max(levels), "polls": structure == "polled" and has_main_loop}


def processor_parameters(design: Design, firmware: Firmware) -> Record:
    """PROCESSOR record of a design and its firmware."""
    interrupt, program = firmware.target.interrupt, firmware.program
    polled = design.firmware.structure == "polled"
    scale = 0 if firmware.costs_nothing else firmware.cycle_scale
    flags = sum(name in program.handlers for name in HANDLERS[START + 1 : MAIN_LOOP])
    tests_cycles = scale * interrupt.poll_cycles * flags if polled else 0
    jump_cycles = scale * firmware.target.costs["jump"].cycles_typical
    end_cycle = math.ceil(design.command.duration_s * firmware.clock_Hz)
    has_tick = "on_control_tick" in program.handlers
    return record(
        PROCESSOR,
        {
            "clock_Hz": firmware.clock_Hz,
            "entry_cycles": scale * (interrupt.call_cycles if polled else interrupt.entry_cycles),
            "exit_cycles": scale * (interrupt.return_cycles if polled else interrupt.exit_cycles),
            "tail_chain_cycles": 0 if polled else scale * interrupt.tail_chain_cycles,
            "poll_loop_cycles": max(1, tests_cycles),
            "loop_cycles": tests_cycles + jump_cycles or max(1, round(IDEAL_ROUND_s * firmware.clock_Hz)),
            **levels(design.firmware.structure, "main_loop" in program.handlers),
            "tick_cycles": firmware.tick_cycles,
            "timer_mask": (1 << firmware.timer_bits) - 1,
            "reads_count": design.firmware.capture == "software",
            "pwm_count_cycles": firmware.pwm_count_cycles,
            "pwm_top": firmware.pwm_top,
            "control_cycles": round(design.firmware.control_period_s * firmware.nominal_Hz) * has_tick,
            "end_cycle": end_cycle,
            "settled_cycle": round((1.0 - SETTLED_PART) * end_cycle),
            "handler_pc": program.entries,
            "sample_cycles": max(1, min(end_cycle // SAMPLES, int(LONGEST_SAMPLE_s * firmware.clock_Hz))),
        },
    )


def processor_state(c: Record) -> Record:
    """PROCESSOR_STATE record at reset: the start handler is about to run, above the main loop if there is
    one; the timers count from 0."""
    control, main_pc = int(c["control_cycles"]), int(c["handler_pc"][MAIN_LOOP])
    below = MAIN_LOOP if main_pc != ABSENT and not c["polls"] else ASLEEP
    return record(
        PROCESSOR_STATE,
        {
            "handler": START,
            "pc": c["handler_pc"][START],
            "below": np.full(HANDLER_COUNT, below),
            "saved_pc": np.full(HANDLER_COUNT, main_pc),
            "wake": NEVER,
            "match": NEVER,
            "match_due": NEVER,
            "next_tick": control if control else NEVER,
            "pwm_edge": NEVER,
            "next_sample": c["sample_cycles"] or NEVER,
        },
    )


def command_rows(design: Design) -> NDArray[np.float64]:
    """Rows (at_s, speed_rpm) of the commanded speed."""
    return np.array([(step.at_s, step.speed_rpm) for step in design.command.profile], dtype=np.float64)
