"""From a Design to the records that the kernel runs on."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import Binding, LinkedProgram, Program, compile_law, law_path, link
from controllers.ports import STEP_OFF
from controllers.program import HANDLERS
from sim.design import Design
from sim.plant.emf import FIRST_KNOT_DEG, trapezoid
from sim.plant.hall import hall_places
from sim.plant.records import (
    PLANT,
    PLANT_STATE,
    SWITCHED_COMPLEMENTARY,
    SWITCHED_HIGH_SIDE,
    Record,
)
from sim.processor.records import ASLEEP, HANDLER_COUNT, NEVER, PROCESSOR, PROCESSOR_STATE, START
from targets import Target, load_target

TRAPEZOID_KNOTS = 6
FINE_TICK_Hz = 35e6
"""`firmware.idealise = ["tick"]`: at most 35 counts a microsecond; finer ones would take `rpm_ticks` of a motor with one pole
pair beyond 31 bits, and one count then moves a speed of 20,000 rpm by 1 rpm already."""
FINE_TIMER_BITS = 32
SAMPLES = 2000
"""Rows of the decimated traces per run."""

_PWM_MODES = {"high_side": SWITCHED_HIGH_SIDE, "complementary": SWITCHED_COMPLEMENTARY}
_RAD_S_PER_RPM = math.pi / 30.0


def _record(dtype: "np.dtype[Any]", values: dict[str, Any]) -> Record:
    """One record with every field named in `values`, zeros elsewhere."""
    array = np.zeros(1, dtype)
    for name, value in values.items():
        array[0][name] = value
    return array[0]


def plant_parameters(design: Design) -> Record:
    """PLANT record of a design."""
    motor, drive, load, numerics = design.motor, design.drive, design.load, design.numerics
    knot, u_rad = hall_places(design.hall.placement_error_deg, design.hall.hysteresis_deg, TRAPEZOID_KNOTS)
    fan = 0.0
    if load.fan_torque_Nm is not None and load.fan_speed_rpm is not None:
        fan = load.fan_torque_Nm / (load.fan_speed_rpm * _RAD_S_PER_RPM) ** 2
    return _record(
        PLANT,
        {
            "pole_pairs": motor.pole_pairs,
            "resistance_ohm": motor.phase_resistance_ohm,
            "switch_ohm": drive.switch_on_resistance_ohm,
            "inductance_H": motor.phase_inductance_H,
            "ke_V_s_per_rad": motor.ke_V_s_per_rad,
            "inertia_kg_m2": motor.inertia_kg_m2 + load.added_inertia_kg_m2,
            "coulomb_Nm": motor.coulomb_Nm,
            "stiction_Nm": motor.stiction_Nm,
            "viscous_Nm_s_per_rad": motor.viscous_Nm_s_per_rad,
            "windage_Nm_s2_per_rad2": motor.windage_Nm_s2_per_rad2,
            "fan_Nm_s2_per_rad2": fan,
            "supply_V": drive.supply_V,
            "diode_V": drive.diode_drop_V,
            "pwm_mode": _PWM_MODES[drive.pwm_mode],
            "knots": TRAPEZOID_KNOTS,
            "cell_rad": 2.0 * math.pi / TRAPEZOID_KNOTS,
            "hall_knot": knot,
            "hall_u_rad": u_rad,
            "max_segment_rad": math.radians(numerics.max_segment_deg),
            "max_segment_s": numerics.max_segment_s,
            "window_from_s": math.inf,
        },
    )


def plant_state(p: Record, start_angle_deg: float) -> Record:
    """PLANT_STATE record of a rotor at rest at an electrical angle, all switches off."""
    phi = math.radians(start_angle_deg - FIRST_KNOT_DEG) % (2.0 * math.pi)
    knot = int(phi / p["cell_rad"]) % int(p["knots"])
    start = {"knot": knot, "u_rad": phi - knot * p["cell_rad"], "step": STEP_OFF, "unsettled": 1, "busy": ASLEEP}
    return _record(PLANT_STATE, start)


@dataclass(frozen=True)
class Firmware:
    """The compiled and costed firmware of a design, and the timer it runs on.

    `clock_Hz`, `tick_cycles` and `pwm_count_cycles` count the kernel's cycles, `cycle_scale` of which make one CPU clock.
    """

    target: Target
    program: Program
    linked: LinkedProgram
    clock_Hz: float
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


def build_firmware(design: Design) -> Firmware:
    """Compile the design's law for its target and link it.

    Raises:
        InputError: faults of the law, of its parameters or of the timer set-up.
    """
    settings = design.firmware
    target = load_target(settings.target)
    fine = "tick" in settings.idealise or target.exact_arithmetic
    usual_Hz = settings.clock_Hz or target.clock.default_Hz
    # A finer tick can need a finer cycle: the clock and every cost are multiplied by the same whole number.
    scale = max(1, int(FINE_TICK_Hz // usual_Hz)) if fine else 1
    coarse_cycles = settings.prescaler * target.step_timer.clock_divider
    tick_cycles = math.ceil(usual_Hz * scale / FINE_TICK_Hz) if fine else coarse_cycles
    timer_bits = FINE_TIMER_BITS if fine else target.step_timer.width_bits
    clock_Hz = usual_Hz * scale
    pwm_count_cycles = target.pwm.clock_divider * scale
    pwm_top = max(2, round(clock_Hz / (pwm_count_cycles * design.drive.pwm_Hz)))
    exact = target.exact_arithmetic or "rounding" in settings.idealise
    binding = Binding(
        arithmetic="f64" if exact else settings.arithmetic,
        timer_bits=timer_bits,
        tick_Hz=clock_Hz / tick_cycles,
        pole_pairs=design.motor.pole_pairs,
        duty_top=pwm_top,
        control_period_s=settings.control_period_s,
        parameters=dict(settings.parameters),
    )
    program = compile_law(law_path(settings.law), binding)
    return Firmware(
        target=target,
        program=program,
        linked=link(program, target),
        clock_Hz=clock_Hz,
        tick_cycles=tick_cycles,
        timer_bits=timer_bits,
        pwm_count_cycles=pwm_count_cycles,
        pwm_top=pwm_top,
        cycle_scale=scale,
        costs_nothing="cost" in settings.idealise,
    )


def processor_parameters(design: Design, firmware: Firmware) -> Record:
    """PROCESSOR record of a design and its firmware."""
    interrupt = firmware.target.interrupt
    polled = design.firmware.structure == "polled"
    handlers = sum(name in firmware.program.handlers for name in HANDLERS[1:])
    scale = 0 if firmware.costs_nothing else firmware.cycle_scale
    end_cycle = math.ceil(design.command.duration_s * firmware.clock_Hz)
    has_tick = "on_control_tick" in firmware.program.handlers
    return _record(
        PROCESSOR,
        {
            "clock_Hz": firmware.clock_Hz,
            "entry_cycles": scale * (interrupt.call_cycles if polled else interrupt.entry_cycles),
            "exit_cycles": scale * (interrupt.return_cycles if polled else interrupt.exit_cycles),
            "poll_loop_cycles": max(1, scale * interrupt.poll_cycles * handlers) if polled else 1,
            "tick_cycles": firmware.tick_cycles,
            "timer_mask": (1 << firmware.timer_bits) - 1,
            "pwm_count_cycles": firmware.pwm_count_cycles,
            "pwm_top": firmware.pwm_top,
            "control_cycles": round(design.firmware.control_period_s * firmware.clock_Hz) if has_tick else 0,
            "end_cycle": end_cycle,
            "handler_pc": firmware.program.entries,
            "sample_cycles": max(1, end_cycle // SAMPLES),
        },
    )


def processor_state(c: Record) -> Record:
    """PROCESSOR_STATE record at reset: the start handler is about to run, the timers count from 0."""
    control = int(c["control_cycles"])
    return _record(
        PROCESSOR_STATE,
        {
            "handler": START,
            "pc": c["handler_pc"][START],
            "pending": np.zeros(HANDLER_COUNT, np.int64),
            "match": NEVER,
            "match_due": NEVER,
            "next_tick": control if control else NEVER,
            "pwm_edge": NEVER,
            "next_sample": c["sample_cycles"],
        },
    )


def instruction_costs(firmware: Firmware) -> NDArray[np.int64]:
    """Cycles of each instruction as the kernel counts them: the typical ones of the target."""
    scale = 0 if firmware.costs_nothing else firmware.cycle_scale
    return np.ascontiguousarray(firmware.linked.cycles[:, 1] * scale)


def command_rows(design: Design) -> NDArray[np.float64]:
    """Rows (at_s, speed_rpm) of the commanded speed."""
    return np.array([(step.at_s, step.speed_rpm) for step in design.command.profile], dtype=np.float64)
