"""Commutation timed by one Hall sensor that gives one rising edge per electrical turn, where step 0 belongs.

Each edge restarts the turn there and measures it; the five other steps follow at the step time that the law
works out in `follow`. What counts as an edge:

- not one that comes within half of the last period, which no rotor can do: a spike while the level is high;
- not one whose level is low again when it is served in time: a spike while the level is low.

A period counts only when it fits the timer (the steps made in it say so) and when at least two steps were
made in it. Without an edge for `stall_steps` steps the motor is taken to stand still and is started again by
blind steps.
"""

from controllers.bases.stepper import Stepper
from controllers.dialect import const, hw, param, sat_add, ticks, u8, var, wrap_add, wrap_sub


class HallTimed(Stepper):
    """Steps re-anchored at every Hall edge."""

    stall_steps = param(
        u8, "stall_steps", 18, low=10, high=200, about="steps without a Hall edge that mean a stall"
    )

    FEWEST_STEPS = const(u8, 2)

    steps_since_edge = var(u8, 0)
    room = var(ticks, 0)  # what is left of the timer's range since the last edge, 0 where it may have wrapped
    period = var(
        ticks, 0
    )  # timer ticks of the last electrical turn that counts, 0 where the speed is not known
    last_edge = var(ticks, 0)  # timer count at the last Hall edge

    def on_hall_edge(self) -> None:
        edge = hw.captured()
        period = wrap_sub(edge, self.last_edge)
        if self.room > 0 and period < self.period >> 1:
            return
        if hw.hall() == 0 and wrap_sub(hw.timer(), edge) < self.step_ticks:
            return
        hw.set_step(0)
        self.step = 0
        # keeps the timer of the old turn from striking during the divisions below
        hw.set_compare(wrap_add(hw.timer(), hw.timer_top >> 1))
        self.last_edge = edge
        if self.room >= self.step_ticks and self.steps_since_edge >= self.FEWEST_STEPS:
            self.period = period
            self.follow()
        self.room = hw.timer_top
        self.steps_since_edge = 0
        self.arm(wrap_add(edge, self.step_ticks))

    def after_step(self) -> None:
        if self.room > self.step_ticks:
            self.room -= self.step_ticks
        else:
            self.room = 0
        self.steps_since_edge = sat_add(self.steps_since_edge, 1)
        if self.steps_since_edge > self.stall_steps:
            self.restart()

    def restart(self) -> None:
        self.step_ticks = self.within_timer(self.start_step)
        self.period = 0
        self.steps_since_edge = 0
        self.room = 0  # the next edge ends no period that can be trusted

    def follow(self) -> None:
        pass
