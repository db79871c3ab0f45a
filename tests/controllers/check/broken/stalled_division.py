"""Broken on purpose: a stall sets the period to 0, and the control tick divides by it."""

from controllers.dialect import Law, hw, number, ticks, u8, u32, var, wrap_add, wrap_sub


class StalledDivision(Law):
    """Set the duty by the speed."""

    step = var(u8, 0)
    steps_since_edge = var(u8, 0)
    last_edge = var(ticks, 0)
    period = var(ticks, 30000)
    step_ticks = var(ticks, 5000)

    def on_start(self) -> None:
        hw.set_step(0)
        hw.set_duty(hw.duty_top >> 1)
        self.arm(hw.timer())

    def on_hall_edge(self) -> None:
        edge = hw.captured()
        self.period = max(wrap_sub(edge, self.last_edge), ticks(1200))
        self.last_edge = edge
        self.step_ticks = self.period // 6
        self.steps_since_edge = 0
        self.step = 0
        hw.set_step(0)
        self.arm(hw.timer())

    def on_step_timer(self) -> None:
        step = self.step + 1
        if step == 6:
            step = u8(0)
        self.step = step
        hw.set_step(step)
        self.arm(hw.timer())
        if self.steps_since_edge < 20:
            self.steps_since_edge += 1
        else:
            self.period = 0
            self.step_ticks = 5000

    def on_control_tick(self) -> None:
        error = number(hw.command_rpm()) - number(hw.rpm_ticks // u32(self.period))
        if error > 0:
            hw.set_duty(hw.duty_top)
        else:
            hw.set_duty(0)

    def arm(self, now: ticks) -> None:
        hw.set_compare(wrap_add(now, self.step_ticks))
