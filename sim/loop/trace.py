"""Decimated traces: a row of means every sample interval, taken at the first event after it is due."""

import math

from controllers.jit import kernel
from sim.plant.present import bus_V
from sim.plant.records import Record
from sim.processor.access import command_rpm
from sim.processor.handlers import handler_cycles

RPM_PER_RAD_S = 30.0 / math.pi


@kernel
def mechanical_rad(p: Record, s: Record) -> float:
    """Angle turned since the start, mechanical, with whole turns."""
    electrical = 2.0 * math.pi * s.turns + s.knot * p.cell_rad + s.u_rad
    return float(electrical / p.pole_pairs)


@kernel
def _sample_steps(c: Record, k: Record, trace: Record, row: int) -> None:
    """Step time, lateness and angle error since the row before; an interval without a step keeps the step
    time it had."""
    if k.sample_steps > 0:
        trace[row, 3] = (k.last_step - k.sample_step) / (k.sample_steps * c.tick_cycles)
        trace[row, 7] = k.sample_late_deg
        trace[row, 8] = k.sample_error_deg / k.sample_steps
    k.sample_steps = 0
    k.sample_step = k.last_step
    k.sample_late_deg = 0.0
    k.sample_error_deg = 0.0


@kernel
def sample(p: Record, s: Record, c: Record, k: Record, commands: Record, trace: Record) -> None:
    """Write one row of TRACE_COLUMNS; the interval is from the row before (or the start) to `k.now`."""
    row = k.trace_rows
    k.next_sample += c.sample_cycles * ((k.now - k.next_sample) // c.sample_cycles + 1)
    if row >= trace.shape[0]:
        return
    t_s = k.now / c.clock_Hz
    before_s = trace[row - 1, 0] if row > 0 else 0.0
    interval_s = max(t_s - before_s, 1.0 / c.clock_Hz)
    angle = mechanical_rad(p, s)
    trace[row, 0] = t_s
    trace[row, 1] = (angle - k.sample_angle) / interval_s * RPM_PER_RAD_S
    trace[row, 2] = command_rpm(commands, t_s)
    trace[row, 3] = trace[row - 1, 3] if row > 0 else 0.0
    trace[row, 4] = k.duty_now / c.pwm_top
    trace[row, 5] = math.sqrt(max(s.square_A2s - k.sample_square, 0.0) / (3.0 * interval_s))
    busy_cycles = handler_cycles(k)
    trace[row, 6] = (busy_cycles - k.sample_busy) / (interval_s * c.clock_Hz)
    trace[row, 9] = s.supply_J
    trace[row, 10] = k.opposed_steps
    trace[row, 11] = s.load_J
    trace[row, 12] = p.ambient_C + s.winding_rise_K
    trace[row, 13] = bus_V(p, s)
    trace[row, 14] = k.steps
    _sample_steps(c, k, trace, row)
    k.sample_angle = angle
    k.sample_square = s.square_A2s
    k.sample_busy = busy_cycles
    k.trace_rows += 1
