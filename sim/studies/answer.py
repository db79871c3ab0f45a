"""The Result of `tickspin run`: everything that views show is made from it and nothing else."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from sim.design import Design
from sim.run.ceilings import ceilings_rpm, tick_step_rpm, wrap_floor_rpm
from sim.run.metrics import Metrics, measure
from sim.run.simulate import Recording, simulate
from sim.run.torques import continuous_torque_Nm
from sim.studies.explain import explain
from sim.studies.limits import Diagnosis, diagnose, met
from sim.studies.strain import Strain, strain

WINDOW_ROWS = 60_000
"""Room in the close-up: enough for three turns at 20,000 rpm, and for as many turns of steps that the rotor
does not follow, with their PWM edges."""
WINDOW_TURNS = 3.0
"""Electrical turns in the close-up: of the rotor, or of its steps where it does not follow them."""
STEPS_PER_TURN = 6


@dataclass(frozen=True)
class Result:
    """One design, simulated, measured and explained.

    `clock_tolerance_percent`: how far the target's oscillator may be off; `clock_moves_speed`: that alone
    would move the speed by more than the requirement's tolerance. `strain`: what is wasted where the
    requirement is met.
    """

    design: Design
    recording: Recording
    metrics: Metrics
    ceilings_rpm: dict[str, float]
    floor_rpm: float
    tick_step_rpm: float
    diagnosis: Diagnosis
    met: bool
    strain: Strain | None
    explanation: str
    clock_tolerance_percent: float
    clock_moves_speed: bool

    def as_dict(self) -> dict[str, Any]:
        """The result for scripts: plain numbers, strings, lists; infinite ceilings are None (JSON has no
        infinity)."""
        return {
            "name": self.design.name,
            "verdict": self._verdict(),
            "firmware": self._firmware(),
            "motor": self._motor(),
            "ceilings_rpm": {name: finite(value) for name, value in self.ceilings_rpm.items()},
            "slowest_measurable_rpm": self.floor_rpm,
            "gains": [asdict(gain) for gain in self.diagnosis.gains],
        }

    def _verdict(self) -> dict[str, Any]:
        return {
            "met": self.met,
            **_named(self.metrics, _VERDICT_METRICS),
            "limited_by": self.diagnosis.limited_by,
            "explanation": self.explanation,
            "caution": CAUTION,
        }

    def _firmware(self) -> dict[str, Any]:
        settings, firmware = self.design.firmware, self.recording.firmware
        return {
            "law": settings.law,
            "arithmetic": firmware.program.arithmetic,
            "target": firmware.target.name,
            **_named(self.metrics, _FIRMWARE_METRICS),
            "faults": [asdict(fault) for fault in self.metrics.faults],
            "rounding": [dict(rounding._asdict()) for rounding in firmware.program.rounding],
            "fitted": dict(firmware.program.fitted),
            **_named(firmware.linked, _SIZES),
            "too_close_to_call": dict(firmware.linked.room.close),
            "prescaler": settings.prescaler,
            "tick_s": firmware.tick_s,
            "clock_error_percent": settings.clock_error_percent,
            "clock_tolerance_percent": self.clock_tolerance_percent,
            "clock_moves_speed": self.clock_moves_speed,
            "wait_states": firmware.target.wait_states,
        }

    def _motor(self) -> dict[str, Any]:
        return {
            **_named(self.metrics, _MOTOR_METRICS),
            "winding_steady_C": finite(self.metrics.winding_steady_C),
            "winding_limit_C": self.design.thermal.winding_limit_C,
            "continuous_torque_Nm": finite(continuous_torque_Nm(self.design)),
        }


_VERDICT_METRICS = ("reached_rpm", "settled_rpm", "time_to_speed_s", "overshoot_percent")
_FIRMWARE_METRICS = (
    "worst_case_cycles", "measured_cycles", "worst_response_us", "response_bound_us", "cpu_load",
    "peak_cpu_load", "steps", "late_steps", "worst_lateness_us", "worst_lateness_deg", "settled_lateness_deg",
    "settled_angle_error_deg", "settled_opposed_part", "settled_steps_per_turn",
    "settled_place_spread", "missed_edges", "missed_compares", "overruns", "opposed_steps", "last_opposed_s",
)  # fmt: skip
_SIZES = ("flash_bytes", "ram_bytes", "stack_bytes", "fits")
_MOTOR_METRICS = (
    "peak_phase_A", "rms_phase_A", "settled_rms_phase_A", "over_current_trips", "lowest_bridge_V",
    "winding_C", "settled_supply_W", "efficiency", "energy_balance_error",
)  # fmt: skip


def _named(source: object, names: Iterable[str]) -> dict[str, Any]:
    """Attributes under their own names."""
    return {name: getattr(source, name) for name in names}


CAUTION = (
    "A model is no safety proof: magnets and blades can fly off, windings get hot, lithium cells burn. "
    "Guard, eye protection, current-limited supply; local codes and licensed practice come first."
)
"""One line under every verdict."""


def finite(value: float | None) -> float | None:
    """None for infinity."""
    return value if value is not None and value < float("inf") else None


def answer(design: Design) -> Result:
    """Simulate a design, measure it, and find what holds it back.

    Raises:
        InputError: the firmware cannot be built or the simulation cannot get on.
    """
    recording = simulate(design)
    metrics = measure(recording)
    firmware, pairs = recording.firmware, design.motor.pole_pairs
    ceilings = ceilings_rpm(design, firmware, metrics.worst_case_cycles)
    diagnosis = diagnose(design, metrics, firmware.linked.fits)
    is_met = met(design, metrics) and firmware.linked.fits
    wasted = strain(design, metrics)
    return Result(
        design=design,
        recording=recording,
        metrics=metrics,
        ceilings_rpm=ceilings,
        floor_rpm=wrap_floor_rpm(pairs, firmware.tick_s, firmware.timer_bits),
        tick_step_rpm=tick_step_rpm(pairs, firmware.tick_s, metrics.settled_rpm),
        diagnosis=diagnosis,
        met=is_met,
        strain=wasted,
        explanation=explain(recording, metrics, diagnosis, ceilings, wasted),
        clock_tolerance_percent=firmware.target.clock.tolerance * 100.0,
        clock_moves_speed=clock_moves_speed(recording, metrics),
    )


def clock_moves_speed(recording: Recording, metrics: Metrics) -> bool:
    """Whether the oscillator's tolerance moves the speed out of the requirement's.

    A speed goes with the clock where nothing but the clock times it (a law that hears of no Hall edge), and
    where the law holds the commanded speed, which it measures with that clock.
    """
    design, firmware = recording.design, recording.firmware
    allowed = design.require.tolerance_percent / 100.0
    if firmware.target.clock.tolerance <= allowed:
        return False
    wanted_rpm = design.command.profile[-1].speed_rpm
    is_held = abs(metrics.settled_rpm - wanted_rpm) <= allowed * wanted_rpm
    return is_held or "on_hall_edge" not in firmware.program.handlers


def close_up(result: Result) -> Recording:
    """Run the same design once more with the last electrical turns recorded in detail, and the events with
    them.

    The run is the same to the last bit: recording does not change the motion.
    """
    design, metrics = result.design, result.metrics
    turns_per_s = max(metrics.settled_rpm / 60.0 * design.motor.pole_pairs, 1e-3)
    steps_s = STEPS_PER_TURN * metrics.settled_step_ticks * result.recording.firmware.tick_s
    span_s = WINDOW_TURNS * min(1.0 / turns_per_s, max(steps_s, 1e-3))
    return simulate(design, max(0.0, design.command.duration_s - span_s), WINDOW_ROWS)
