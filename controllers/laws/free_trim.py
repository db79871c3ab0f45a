"""Free trim: the steps follow the timer alone; the Hall sensor only measures the speed.

Full voltage, and a step time that is nudged once per electrical turn: shorter while the measured speed is
below the command, longer above it. The steps are never moved to where the rotor is. A rotor that is pulled
along swings about the field, with little to damp it; when it swings too far it falls out of step. Such a law
therefore loses the rotor long before supply or torque end its run, and the nudge decides how soon.

    speed in rpm = rpm_ticks / period        (whole numbers, period in timer ticks per electrical turn)

Without an edge for `stall_steps` steps the motor is taken to stand still and is started again.
"""

from controllers.bases.stepper import Stepper
from controllers.dialect import const, hw, number, param, sat, sat_add, ticks, u8, u32, var, wrap_sub


class FreeTrim(Stepper):
    """Trim the time of free-running steps at full voltage; the Hall sensor measures the speed."""

    nudge = param(
        number, "trim_s", 2e-6, low=0, high=0.01, about="change of the step time per electrical turn"
    )
    stall_steps = param(
        u8, "stall_steps", 18, low=10, high=200, about="steps without a Hall edge that mean a stall"
    )

    FEWEST_STEPS = const(u8, 3)  # of the six of a turn: an edge after fewer is a spike

    step_time = var(number, 0)  # ticks, with the fraction that the arithmetic can hold
    steps_since_edge = var(u8, 0)
    room = var(ticks, 0)  # what is left of the timer's range since the last edge, 0 where it may have wrapped
    last_edge = var(ticks, 0)  # timer count at the last Hall edge

    def on_hall_edge(self) -> None:
        if self.steps_since_edge < self.FEWEST_STEPS:
            return
        edge = hw.captured()
        period = wrap_sub(edge, self.last_edge)
        self.last_edge = edge
        if self.room >= self.step_ticks and period > 0:
            self.follow(period)
        self.room = hw.timer_top
        self.steps_since_edge = 0

    def follow(self, period: ticks) -> None:
        if hw.rpm_ticks // u32(period) < u32(hw.command_rpm()):
            self.step_time -= self.nudge
        else:
            self.step_time += self.nudge
        self.step_ticks = self.within_timer(sat(ticks, self.step_time))
        self.step_time = min(max(self.step_time, number(self.catch_up)), number(hw.timer_top >> 1))

    def after_step(self) -> None:
        if self.room > self.step_ticks:
            self.room -= self.step_ticks
        else:
            self.room = 0
        self.steps_since_edge = sat_add(self.steps_since_edge, 1)
        if self.steps_since_edge > self.stall_steps:
            self.restart()

    def restart(self) -> None:
        super().restart()
        self.step_time = number(self.step_ticks)
        self.steps_since_edge = 0
        self.room = 0  # the next edge ends no period that can be trusted
