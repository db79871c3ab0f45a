"""Broken on purpose: the duty grows by a part of itself, so none stays none."""

from controllers.dialect import Law, hw, ticks, u8, u16, u32, var, wrap_add, wrap_sub


class StaysOff(Law):
    """Hold the speed by the duty, changed in proportion."""

    step = var(u8, 0)
    last_edge = var(ticks, 0)
    period = var(ticks, 20000)
    duty = var(u16, 500)

    def on_start(self) -> None:
        self.make(u8(0))

    def on_hall_edge(self) -> None:
        edge = hw.captured()
        self.period = max(wrap_sub(edge, self.last_edge), ticks(600))
        self.last_edge = edge
        self.make(u8(0))

    def on_step_timer(self) -> None:
        self.make((self.step + 1) % 6)

    def make(self, step: u8) -> None:
        self.step = step
        hw.set_step(step)
        hw.set_compare(wrap_add(hw.timer(), self.period // 6))

    def on_control_tick(self) -> None:
        change = (self.duty + 15) // 16
        if hw.rpm_ticks // u32(self.period) < u32(hw.command_rpm()):
            self.duty = min(self.duty + change, hw.duty_top)
        else:
            self.duty -= change
        hw.set_duty(self.duty)
