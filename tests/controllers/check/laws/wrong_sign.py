"""Broken on purpose: more duty where the rotor is too fast."""

from controllers.dialect import Law, hw, ticks, u16, u32, var, wrap_add, wrap_sub


class WrongSign(Law):
    """Hold the speed by the duty, the wrong way round."""

    last_edge = var(ticks, 0)
    period = var(ticks, 20000)
    duty = var(u16, 500)

    def on_start(self) -> None:
        hw.set_step(0)
        hw.set_compare(wrap_add(hw.timer(), 8000))

    def on_hall_edge(self) -> None:
        edge = hw.captured()
        self.period = max(wrap_sub(edge, self.last_edge), ticks(600))
        self.last_edge = edge
        hw.set_step(0)

    def on_control_tick(self) -> None:
        if hw.rpm_ticks // u32(self.period) > u32(hw.command_rpm()):
            self.duty = min(self.duty + 4, hw.duty_top)
        else:
            self.duty = max(self.duty, u16(4)) - 4
        hw.set_duty(self.duty)
