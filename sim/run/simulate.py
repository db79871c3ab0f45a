"""Run the kernel on a Design and keep what it left behind."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.design import Design
from sim.loop.native import run_spin
from sim.loop.spin import NO_PROGRESS, SEGMENTS_SPENT
from sim.plant.records import SEGMENT, WINDOW_COLUMNS, Record
from sim.processor.records import LOG_COLUMNS, TRACE_COLUMNS
from sim.run.assemble import (
    Firmware,
    build_firmware,
    check_sensors,
    command_rows,
    processor_parameters,
    processor_state,
)
from sim.run.plant_records import plant_parameters, plant_state
from sim.run.waveform import shape_table
from targets import Fault, InputError

SEGMENTS_PER_SECOND = 20_000_000
"""A run that needs more segments per simulated second is given up: about a hundred times what the fastest
motor needs."""

NO_NUMBER = -1
_ENDINGS = {
    NO_NUMBER: "the simulation must yield finite numbers",
    SEGMENTS_SPENT: "the simulation must end within its budget of segments",
    NO_PROGRESS: "the simulation must make progress",
}


@dataclass(frozen=True)
class Recording:
    """What one run of the kernel left: final records, counters and rows.

    `trace` has TRACE_COLUMNS, `window` WINDOW_COLUMNS, `log` LOG_COLUMNS; `faults` is per instruction (see
    `controllers.machine`).
    """

    design: Design
    firmware: Firmware
    plant: Record
    state: Record
    processor: Record
    counters: Record
    faults: NDArray[np.int64]
    trace: NDArray[np.float64]
    window: NDArray[np.float64]
    log: NDArray[np.int64]


def simulate(
    design: Design,
    window_from_s: float = np.inf,
    window_rows: int = 0,
    log_rows: int = 0,
    firmware: Firmware | None = None,
) -> Recording:
    """Simulate a design from standstill to the end of its command.

    Args:
        design: the design.
        window_from_s: when the close-up recording begins [s].
        window_rows, log_rows: room for the close-up and for the event log; neither changes the motion.
        firmware: built already, from a design with the same firmware and PWM; saves compiling it again.
    Raises:
        InputError: the firmware cannot be built or needs other sensors, or the numbers are such that the
            simulation cannot get on.
    """
    firmware = firmware or build_firmware(design)
    check_sensors(design, firmware.program)
    p, c = plant_parameters(design), processor_parameters(design, firmware)
    p["window_from_s"] = window_from_s
    s = plant_state(p, design.motor.start_angle_deg, design.numerics.seed)
    k, w = processor_state(c), np.zeros(1, SEGMENT)[0]
    program = firmware.program
    faults: Any = program.new_faults()
    rows = int(c["end_cycle"]) // int(c["sample_cycles"]) + 2
    trace = np.zeros((rows, len(TRACE_COLUMNS)))
    window = np.zeros((window_rows, len(WINDOW_COLUMNS)))
    log = np.zeros((log_rows, len(LOG_COLUMNS)), np.int64)
    arrays: dict[str, NDArray[Any]] = {
        "shape": shape_table(design),
        "code": program.code,
        "cost": firmware.cycles,
        "ints": program.ints.copy(),
        "floats": program.floats.copy(),
        "faults": faults,
        "commands": command_rows(design),
        "trace": trace,
        "window": window,
        "log": log,
    }
    ending = run_spin(p, s, w, c, k, arrays, int(SEGMENTS_PER_SECOND * max(design.command.duration_s, 0.1)))
    if not np.isfinite(trace[: k["trace_rows"]]).all():
        ending = NO_NUMBER
    if ending in _ENDINGS:
        raise InputError([_no_result(ending, s)])
    return Recording(
        design, firmware, p, s, c, k, faults,
        trace[: k["trace_rows"]], window[: s["window_rows"]], log[: k["log_rows"]],
    )  # fmt: skip


def _no_result(ending: int, s: Record) -> Fault:
    """The fault of a run that could not be finished."""
    return Fault(
        place=f"simulation at {s['t_s']:.6g} s",
        rule=_ENDINGS[ending],
        found=f"{s['segments']} segments at {s['omega_rad_s']:.4g} rad/s",
        remedy="check motor and drive for values that do not belong together (inductance, inertia)",
    )
