"""The step timer (free-running count, capture, compare by equality) and the PWM, in whole cycles."""

from controllers.compare import ticks_behind
from controllers.jit import kernel
from sim.plant.records import Record
from sim.processor.log import note
from sim.processor.records import LOG_TRIP, NEVER


@kernel
def count_at(c: Record, cycle: int) -> int:
    """Count of the step timer at a cycle."""
    return (cycle // c.tick_cycles) & c.timer_mask


@kernel
def write_compare(c: Record, k: Record, value: int) -> None:
    """Write the compare register at cycle `k.now`.

    The match comes when the count next *becomes* equal to `value`; a value that the count holds already, or
    has passed (`controllers.compare`), waits for the whole wrap and is counted as a missed compare.
    """
    tick = k.now // c.tick_cycles
    behind = ticks_behind(tick, value, c.timer_mask)
    k.match_due = (tick - behind) * c.tick_cycles
    k.match = k.match_due
    if behind >= 0:
        k.missed_compares += 1
        k.match += (c.timer_mask + 1) * c.tick_cycles


@kernel
def match_again(c: Record, k: Record) -> None:
    """After a match the register still holds its value: the next match is one whole wrap later."""
    k.match += (c.timer_mask + 1) * c.tick_cycles
    k.match_due = k.match


@kernel
def write_duty(c: Record, k: Record, counts: int) -> None:
    """Write the duty register; the PWM takes it over at the start of its next period, as buffered compare
    registers do."""
    k.duty = min(max(counts, 0), c.pwm_top)
    if k.pwm_edge == NEVER and k.duty != k.duty_now:
        period = c.pwm_top * c.pwm_count_cycles
        k.pwm_edge = (k.now // period + 1) * period


@kernel
def pwm_edge(c: Record, k: Record) -> int:
    """Handle the PWM edge at `k.now`; returns the new level. Constant levels need no further edges until the
    duty changes."""
    period = c.pwm_top * c.pwm_count_cycles
    since = k.now % period
    if since == 0:
        k.duty_now = k.duty
        if 0 < k.duty_now < c.pwm_top:
            k.pwm_edge = k.now + k.duty_now * c.pwm_count_cycles
        else:
            k.pwm_edge = NEVER
        return 1 if k.duty_now > 0 else 0
    k.pwm_edge = k.now - since + period
    return 0


@kernel
def take_trip(c: Record, k: Record, log: Record) -> None:
    """The over-current comparator has switched off until the next PWM period: raise the flag that the
    firmware reads, and make sure that the start of that period is an event."""
    k.trip_flag = 1
    note(k, log, LOG_TRIP, 0, 0)
    if k.pwm_edge == NEVER:
        period = c.pwm_top * c.pwm_count_cycles
        k.pwm_edge = (k.now // period + 1) * period


@kernel
def take_trip_flag(k: Record) -> int:
    """Whether the comparator has tripped since this was last asked; the flag falls."""
    flag = int(k.trip_flag)
    k.trip_flag = 0
    return flag
