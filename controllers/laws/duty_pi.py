"""Duty PI: commutation follows the rotor, the PWM duty is controlled.

The Hall edge, one per electrical turn, restarts the turn at step 0; the five other steps follow at one sixth
of the last period. The field therefore never runs ahead of the rotor, and the speed is set by the voltage: a
PI controller runs at a fixed rate,

    error = command - speed
    duty  = kp * error + integral,   integral += ki * error * control period

with speed = rpm_ticks / period. The integral is kept in 1/256 duty counts, so that small errors add up in
whole numbers, and is clamped to 0..full duty, so that it does not wind up while the duty is at a limit. Until
the first period that can be trusted, and after a stall, the duty is `start_duty` and blind steps turn the
rotor.
"""

from controllers.dialect import (
    Law,
    const,
    gain,
    hw,
    number,
    param,
    scale,
    ticks,
    u8,
    u16,
    u32,
    var,
    wrap_add,
    wrap_sub,
)  # fmt: skip


class DutyPi(Law):
    """Hold the speed by a PI controller of the duty, commutated from the Hall edge."""

    start_step = param(
        ticks, "start_step_s", 0.014, low=1e-6, high=1.0, about="step time of the blind first steps"
    )
    start_duty = param(u16, "start_duty", 0.5, low=0, high=1, about="duty until the speed is known")
    kp = param(gain, "kp_duty_per_rpm", 1e-4, low=0, high=1, about="proportional gain")
    ki = param(gain, "ki_duty_per_rpm_s", 1e-3, low=0, high=100, times=256, about="integral gain")
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
    last_edge = var(ticks, 0)  # timer count at the last Hall edge
    period = var(ticks, 0)  # last trusted period, 0 where the speed is not known
    compare = var(ticks, 0)  # timer count at which the next step is due
    step_ticks = var(ticks, 0)  # step time in use
    integral = var(number, 0)  # 1/256 duty counts

    def on_start(self) -> None:
        self.restart()
        self.step = 0
        hw.set_duty(self.start_duty)
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
        # keeps the timer of the old turn from striking during the division below
        hw.set_compare(wrap_add(edge, self.step_ticks))
        period = wrap_sub(edge, self.last_edge)
        self.last_edge = edge
        if self.room >= self.step_ticks and self.steps_since_edge >= self.FEWEST_STEPS:
            self.period = period
            self.step_ticks = period // 6
        self.room = hw.timer_top
        self.steps_since_edge = 0
        due = wrap_add(edge, self.step_ticks)
        # a compare that is past already would wait for the whole wrap of the timer
        soonest = wrap_add(hw.timer(), max(self.catch_up, ticks(1)))
        if wrap_sub(due, soonest) > hw.timer_top >> 1:
            due = soonest
        self.compare = due
        hw.set_compare(due)

    def on_control_tick(self) -> None:
        if self.period == 0:
            self.integral = number(self.start_duty) * 256
            hw.set_duty(self.start_duty)
            return
        error = number(hw.command_rpm()) - number(hw.rpm_ticks // u32(self.period))
        integral = self.integral + scale(error, self.ki)
        integral = min(max(integral, number(0)), number(hw.duty_top) * 256)
        self.integral = integral
        duty = scale(error, self.kp) + integral / 256
        hw.set_duty(u16(min(max(duty, number(0)), number(hw.duty_top))))

    def restart(self) -> None:
        self.period = 0
        self.step_ticks = min(self.start_step, hw.timer_top >> 1)
        self.steps_since_edge = 0
        self.room = 0  # the next edge ends no period that can be trusted
