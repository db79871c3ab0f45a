"""Step trim: full voltage, and the step time alone decides the speed.

The Hall sensor gives one edge per electrical turn, where step 0 should begin. Each edge restarts the turn
there and measures it: one sixth of the period is the step time at the present speed. While the speed is below
the command the six steps are made a trim shorter than that, so that the field runs ahead of the rotor and
pulls it on; above the command they are made a trim longer.

    speed in rpm = rpm_ticks / period        (whole numbers, period in timer ticks per electrical turn)

A period counts only when four to eight steps were made in it: fewer means a stray edge, more a missed edge or
a wrap of the timer. Without an edge for `stall_steps` steps the motor is taken to stand still and is started
again by blind steps.
"""

from controllers.dialect import Law, const, hw, number, param, ticks, u8, u32, var, wrap_add, wrap_sub


class StepTrim(Law):
    """Trim the step time at full voltage, re-anchored at every Hall edge."""

    start_step = param(
        ticks, "start_step_s", 0.004, low=1e-6, high=1.0, about="step time of the blind first steps"
    )
    trim = param(
        number, "trim_s", 2e-6, low=0, high=0.01, about="how much shorter or longer than period/6 a step is"
    )
    stall_steps = param(
        u8, "stall_steps", 18, low=10, high=200, about="steps without a Hall edge that mean a stall"
    )
    catch_up = param(
        ticks, "catch_up_s", 1e-5, low=0, high=0.001, about="lead with which an overdue step is made up for"
    )

    FEWEST_STEPS = const(u8, 2)
    MOST_STEPS = const(u8, 8)

    step = var(u8, 0)  # 0..5
    steps_since_edge = var(u8, 0)
    last_edge = var(ticks, 0)  # timer count at the last Hall edge
    compare = var(ticks, 0)  # timer count at which the next step is due
    step_ticks = var(ticks, 0)  # step time in use

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
        self.steps_since_edge += 1
        if self.steps_since_edge > self.stall_steps:
            self.restart()

    def on_hall_edge(self) -> None:
        hw.set_step(0)
        self.step = 0
        edge = hw.captured()
        # keeps the timer of the old turn from striking during the divisions below
        hw.set_compare(wrap_add(edge, self.step_ticks))
        period = wrap_sub(edge, self.last_edge)
        self.last_edge = edge
        steps = self.steps_since_edge
        self.steps_since_edge = 0
        if steps >= self.FEWEST_STEPS and steps <= self.MOST_STEPS:
            # half a period, then a third: a 16-bit period fits every signed format of 16 integer bits
            sixth = number(period >> 1) / 3
            if hw.rpm_ticks // u32(period) < u32(hw.command_rpm()):
                self.step_ticks = ticks(sixth - self.trim)
            else:
                self.step_ticks = ticks(sixth + self.trim)
        due = wrap_add(edge, self.step_ticks)
        # a compare that is past already would wait for the whole wrap of the timer
        soonest = wrap_add(hw.timer(), max(self.catch_up, ticks(1)))
        if wrap_sub(due, soonest) > hw.timer_top >> 1:
            due = soonest
        self.compare = due
        hw.set_compare(due)

    def restart(self) -> None:
        self.step_ticks = min(self.start_step, hw.timer_top >> 3)
        self.steps_since_edge = self.MOST_STEPS + 1  # the next edge ends no period that can be trusted
