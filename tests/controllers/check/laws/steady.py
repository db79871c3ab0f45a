"""A law without a known mistake: commutation from the Hall edge, a PI controller of the duty."""

from controllers.dialect import Law, const, hw, number, ticks, u8, u16, u32, var, wrap_add, wrap_sub


class Steady(Law):
    """Hold the speed by the duty."""

    START = const(ticks, 8000)
    SHORTEST = const(ticks, 100)
    SOON = const(ticks, 20)

    step = var(u8, 0)
    steps_since_edge = var(u8, 0)
    room = var(ticks, 0)
    last_edge = var(ticks, 0)
    period = var(ticks, 0)
    step_ticks = var(ticks, 8000)
    integral = var(number, 0)

    def on_start(self) -> None:
        hw.set_step(0)
        hw.set_duty(hw.duty_top >> 1)
        self.arm(hw.timer())

    def on_hall_edge(self) -> None:
        edge = hw.captured()
        period = wrap_sub(edge, self.last_edge)
        self.last_edge = edge
        if self.room >= self.step_ticks:
            self.period = max(period, ticks(600))
            self.step_ticks = period // 6
        self.room = hw.timer_top
        self.steps_since_edge = 0
        self.step = 0
        hw.set_step(0)
        self.arm(edge)

    def on_step_timer(self) -> None:
        step = self.step + 1
        if step >= 6:
            step = u8(0)
        self.step = step
        hw.set_step(step)
        if self.room > self.step_ticks:
            self.room -= self.step_ticks
        else:
            self.room = 0
        if self.steps_since_edge < 18:
            self.steps_since_edge += 1
        else:
            self.period = 0
            self.room = 0
            self.step_ticks = self.START
        self.arm(hw.timer())

    def on_control_tick(self) -> None:
        if self.period == 0:
            self.integral = number(hw.duty_top >> 1) * 256
            hw.set_duty(hw.duty_top >> 1)
            return
        error = number(hw.command_rpm()) - number(hw.rpm_ticks // u32(self.period))
        top = number(hw.duty_top)
        self.integral = min(max(self.integral, number(0)), top * 256)
        self.integral = min(max(self.integral + error, number(0)), top * 256)
        hw.set_duty(u16(min(max(error / 8 + self.integral / 256, number(0)), top)))

    def arm(self, since: ticks) -> None:
        step_ticks = min(max(self.step_ticks, self.SHORTEST), hw.timer_top >> 1)
        due = wrap_add(since, step_ticks)
        soonest = wrap_add(hw.timer(), self.SOON)
        if wrap_sub(due, soonest) > hw.timer_top >> 1:
            due = soonest
        hw.set_compare(due)
