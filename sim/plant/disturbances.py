"""What stands between a Hall edge and the processor's pin: delay, jitter, glitches; seeded, so that a run
repeats."""

import math

from controllers.jit import kernel
from sim.plant.records import HALL_QUEUE, Record

RANDOM_MODULUS = 2147483647
_RANDOM_FACTOR = 48271


def random_start(seed: int) -> int:
    """First state of the generator, in 1 to RANDOM_MODULUS - 1, far apart for neighbouring seeds."""
    return (seed + 1) * 1566083941 % (RANDOM_MODULUS - 1) + 1


@kernel
def uniform(s: Record) -> float:
    """The next random number, even in (0, 1): the minimal standard generator with the later multiplier (Park
    and Miller, CACM 31(10), 1988, and their reply of 1993, from memory)."""
    s.random = s.random * _RANDOM_FACTOR % RANDOM_MODULUS
    return s.random / RANDOM_MODULUS


@kernel
def queue_edge(p: Record, s: Record, sensor: int) -> None:
    """Note when the output will show the level that the magnet has just made: after the delay and a jitter
    even in 0 to `hall_jitter_s`, in the order of the edges. In a full queue the newest level takes the
    place of the last one: a pulse is lost, as it is in a real sensor that is too slow."""
    at_s = s.t_s + p.hall_delay_s
    if p.hall_jitter_s > 0.0:
        at_s += p.hall_jitter_s * uniform(s)
    last = min(s.queued, HALL_QUEUE - 1)
    if last > 0:
        at_s = max(at_s, s.queue_s[last - 1])
    s.queue_s[last] = at_s
    s.queue_sensor[last] = sensor
    s.queue_level[last] = (s.level >> sensor) & 1
    s.queued = last + 1
    s.next_s = min(s.next_s, at_s)


@kernel
def take_edge(s: Record) -> int:
    """Take the first edge out of the queue; returns its sensor where the output must turn over, else -1."""
    sensor, level = s.queue_sensor[0], s.queue_level[0]
    s.queued -= 1
    for place in range(s.queued):
        s.queue_s[place] = s.queue_s[place + 1]
        s.queue_sensor[place] = s.queue_sensor[place + 1]
        s.queue_level[place] = s.queue_level[place + 1]
    disturbed = 1 if s.glitch_sensor == sensor + 1 else 0
    return int(sensor) if (s.hall >> sensor) & 1 != level ^ disturbed else -1


@kernel
def _plan_glitch(p: Record, s: Record) -> None:
    """Draw the time to the next glitch: glitches come independently of each other and of the motor."""
    s.glitch_next_s = s.t_s - math.log(uniform(s)) / p.glitches_per_s


@kernel
def glitch(p: Record, s: Record) -> int:
    """Begin or end the glitch that is due; returns the sensor whose output turns over."""
    if s.glitch_sensor == 0:
        s.glitch_sensor = 1 + int(uniform(s) * max(1, p.sensors))
        s.glitches += 1
        s.glitch_next_s = s.t_s + p.glitch_s
        return int(s.glitch_sensor - 1)
    sensor = s.glitch_sensor - 1
    s.glitch_sensor = 0
    _plan_glitch(p, s)
    return int(sensor)


@kernel
def next_disturbance_s(p: Record, s: Record) -> float:
    """When the outputs change next without the magnet's doing."""
    at_s = s.queue_s[0] if s.queued > 0 else math.inf
    if p.glitches_per_s > 0.0:
        if s.glitch_next_s == 0.0:
            _plan_glitch(p, s)
        at_s = min(at_s, s.glitch_next_s)
    return at_s
