"""Step trim: full voltage, and the step time alone decides the speed.

The Hall sensor gives one edge per electrical turn, where step 0 should begin. Each edge restarts the turn
there and measures it: one sixth of the period is the step time at the present speed. The six steps are made a
trim shorter than that. The trim is nudged once per turn: up while the speed is below the command, so that the
field runs ahead of the rotor; down above it, below zero if need be, so that the field falls behind and the
torque fades.

    speed in rpm = rpm_ticks / period        (whole numbers, period in timer ticks per electrical turn)

A period counts only when it fits the timer (the steps made in it say so) and when at least two steps were
made in it (fewer mean a stray edge). Without an edge for `stall_steps` steps the motor is taken to stand
still and is started again by blind steps.
"""

from controllers.dialect import Law, const, hw, number, param, ticks, u8, u32, var, wrap_add, wrap_sub


class StepTrim(Law):
    """Trim the step time at full voltage, re-anchored at every Hall edge."""

    start_step = param(
        ticks, "start_step_s", 0.008, low=1e-6, high=1.0, about="step time of the blind first steps"
    )
    nudge = param(number, "trim_s", 2e-6, low=0, high=0.01, about="change of the trim per electrical turn")
    most_lead = param(number, "lead_s", 1e-5, low=0, high=0.01, about="largest trim: steps this much shorter")
    most_lag = param(number, "lag_s", 8e-4, low=0, high=0.01, about="smallest trim: steps this much longer")
    stall_steps = param(
        u8, "stall_steps", 18, low=10, high=200, about="steps without a Hall edge that mean a stall"
    )
    catch_up = param(
        ticks, "catch_up_s", 1e-5, low=0, high=0.001, about="lead with which an overdue step is made up for"
    )

    FEWEST_STEPS = const(u8, 2)

    step = var(u8, 0)  # 0..5
    steps_since_edge = var(u8, 0)
    room = var(ticks, 0)  # what is left of the timer's range since the last edge, 0 where it may have wrapped
    period = var(ticks, 0)  # timer ticks of the last electrical turn
    last_edge = var(ticks, 0)  # timer count at the last Hall edge
    compare = var(ticks, 0)  # timer count at which the next step is due
    step_ticks = var(ticks, 0)  # step time in use
    trim = var(number, 0)  # ticks

    def on_start(self) -> None:
        self.restart()
        self.step = 0
        hw.set_duty(hw.duty_top)
        hw.set_step(0)
        self.compare = wrap_add(hw.timer(), self.step_ticks)
        hw.set_compare(self.compare)

    def on_step_timer(self) -> None:
        step = self.step + 1
        if step == 6:
            step = u8(0)
        hw.set_step(step)
        self.step = step
        self.compare = wrap_add(self.compare, self.step_ticks)
        hw.set_compare(self.compare)
        if self.room > self.step_ticks:
            self.room -= self.step_ticks
        else:
            self.room = 0
        self.steps_since_edge += 1
        if self.steps_since_edge > self.stall_steps:
            self.restart()

    def on_hall_edge(self) -> None:
        hw.set_step(0)
        self.step = 0
        edge = hw.captured()
        # keeps the timer of the old turn from striking during the divisions below
        hw.set_compare(wrap_add(edge, self.step_ticks))
        self.period = wrap_sub(edge, self.last_edge)
        self.last_edge = edge
        if self.room >= self.step_ticks and self.steps_since_edge >= self.FEWEST_STEPS:
            self.follow()
        self.room = hw.timer_top
        self.steps_since_edge = 0
        due = wrap_add(edge, self.step_ticks)
        # a compare that is past already would wait for the whole wrap of the timer
        soonest = wrap_add(hw.timer(), max(self.catch_up, ticks(1)))
        if wrap_sub(due, soonest) > hw.timer_top >> 1:
            due = soonest
        self.compare = due
        hw.set_compare(due)

    def follow(self) -> None:
        # half a period, then a third: a 16-bit period fits every signed format of 16 integer bits
        step_time = number(self.period >> 1) / 3
        if hw.rpm_ticks // u32(self.period) < u32(hw.command_rpm()):
            self.trim = min(self.trim + self.nudge, self.most_lead)
            step_time -= number(self.period >> 6)  # the rotor gains speed: the next turn will be shorter
        else:
            self.trim = max(self.trim - self.nudge, -self.most_lag)
        self.step_ticks = ticks(step_time - self.trim)

    def restart(self) -> None:
        self.step_ticks = min(self.start_step, hw.timer_top >> 1)
        self.trim = 0
        self.steps_since_edge = 0
        self.room = 0  # the next edge ends no period that can be trusted
