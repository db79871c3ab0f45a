"""What the plant does by itself at given times: load steps, thermal ticks, ends of dead times. A segment
never crosses one."""

import math

from controllers.jit import kernel
from sim.plant.circuit import set_legs
from sim.plant.records import Record
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
def keep_agenda(p: Record, s: Record) -> None:
    """Do what is due at `s.t_s`, and note in `s.next_s` when the next item is; called at the very start,
    too."""
    s.next_s = min(_load_step_s(p, s), _thermal_s(p, s))
    if p.dead_s > 0.0:
        set_legs(p, s)
