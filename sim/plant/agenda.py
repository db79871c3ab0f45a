"""What the plant does by itself at given times: steps of load and supply, thermal ticks, ends of dead times,
delayed and false Hall edges. A segment never crosses one."""

import math

from controllers.jit import kernel
from sim.plant.circuit import set_legs
from sim.plant.disturbances import glitch, next_disturbance_s, take_edge
from sim.plant.hall import show
from sim.plant.modes import set_circuits
from sim.plant.records import Record
from sim.plant.supply import supply_step_s
from sim.plant.thermal import thermal_tick


@kernel
def _load_step_s(p: Record, s: Record) -> float:
    """Take the load steps that are due; returns when the next one is."""
    while s.load_steps_taken < p.load_steps and p.load_step_s[s.load_steps_taken] <= s.t_s:
        s.load_Nm = p.load_step_Nm[s.load_steps_taken]
        s.load_steps_taken += 1
    return p.load_step_s[s.load_steps_taken] if s.load_steps_taken < p.load_steps else math.inf


@kernel
def _thermal_s(p: Record, s: Record) -> float:
    """Make the thermal tick that is due; returns when the next one is."""
    if p.thermal_tick_s <= 0.0:
        return math.inf
    if s.t_s >= (s.thermal_ticks + 1) * p.thermal_tick_s:
        thermal_tick(p, s)
        s.thermal_ticks += 1
    return (s.thermal_ticks + 1) * p.thermal_tick_s


@kernel
def _output_edge(p: Record, s: Record) -> int:
    """Make the next change of a sensor's output that is due; returns the edge (0 none, 1 rise, 2 fall)."""
    while s.queued > 0 and s.queue_s[0] <= s.t_s:
        sensor = take_edge(s)
        if sensor >= 0:
            return show(s, sensor)
    if p.glitches_per_s > 0.0 and 0.0 < s.glitch_next_s <= s.t_s:
        return show(s, glitch(p, s))
    return 0


@kernel
def keep_agenda(p: Record, s: Record) -> int:
    """Do what is due at `s.t_s`, and note in `s.next_s` when the next item is; called at the very start, too.

    Returns: the edge of a Hall output (0 none, 1 rise, 2 fall); further ones at the same time come at the
    next call.
    """
    edge = _output_edge(p, s)
    s.next_s = min(_load_step_s(p, s), supply_step_s(p, s), _thermal_s(p, s), next_disturbance_s(p, s))
    if p.unequal:
        set_circuits(p, s)
    if p.dead_s > 0.0:
        set_legs(p, s)
    return edge
