"""A rotor for closed loops on the bench: first order in speed, with just enough position to fall out of step.

With drive d = duty / duty_top * cos(e), e the angle between the rotor and the middle of the step that is on,
and speed w as a part of the no-load speed:

    lag dw/dt = d - w cos(e)**2 - load sign(w)

the torque of a sinusoidal machine with winding resistance and no inductance; at rest a drive below `load`
moves nothing. Not a model of a real motor (`sim.plant` is): a plant gentle enough that what remains of error
or swing is the law's own.
"""

import math

from controllers.check.bench.records import NEVER
from controllers.jit import kernel
from controllers.machine import Record

_STEPS = 6
_PARTS_OF_TURN = 72.0
"""Longest integration step as a part of an electrical turn: 5 degrees, over which cos(e) changes by 9 % at
most."""


@kernel
def accelerate(c: Record, k: Record, cycles: float) -> None:
    """Change the speed over `cycles` by the drive of the present step and duty (Euler, explicit)."""
    alignment = 0.0
    if k.step < _STEPS:
        alignment = math.cos(2.0 * math.pi * (k.rotor_turn - (k.step + 0.5) / _STEPS))
    drive = alignment * k.duty / c.duty_top
    speed = k.rotor_speed / c.motor_turns_per_cycle
    push = drive - speed * alignment * alignment
    load = c.motor_load if speed > 0.0 else -c.motor_load
    if speed == 0.0:
        load = min(max(push, -c.motor_load), c.motor_load)
    after = speed + (push - load) * cycles / c.motor_lag_cycles
    if speed * after < 0.0:  # friction stops the rotor; it does not turn it round within one step
        after = 0.0
    k.rotor_speed = after * c.motor_turns_per_cycle


@kernel
def turn_rotor(c: Record, k: Record) -> int:
    """Turn the rotor up to `k.now`; returns 1 where it came through the place of the rising edge (turn 0,
    forwards), 2 for the falling edge half a turn later, else 0."""
    cycles = k.now - k.driven_to
    k.driven_to = k.now
    before = k.rotor_turn
    after = before + k.rotor_speed * cycles
    accelerate(c, k, cycles)
    k.rotor_turn = after - math.floor(after)
    if after >= 1.0:
        return 1
    return 2 if before < 0.5 <= after else 0


@kernel
def next_turn_cycle(c: Record, k: Record) -> int:
    """Cycle up to which the rotor is turned next: a small angle on, or the edge where that comes first."""
    speed = abs(k.rotor_speed)
    cycles = float(c.motor_cycles)
    if speed > 0.0:
        cycles = min(cycles, 1.0 / (_PARTS_OF_TURN * speed))
    if k.rotor_speed > 0.0:
        edge = 0.5 if k.rotor_turn < 0.5 else 1.0
        cycles = min(cycles, (edge - k.rotor_turn) / k.rotor_speed)
    return int(min(k.now + max(1, math.ceil(cycles)), NEVER))
