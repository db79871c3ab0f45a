"""No sensor: the step time shrinks with every turn, whether or not the rotor follows."""

from controllers.dialect import Law, hw, param, ticks, u8, u32, var, wrap_add


class BlindRamp(Law):
    """Ramp the step time."""

    trim = param(ticks, "trim_s", 1e-5, low=1e-6, high=0.01, about="change of the step time per turn")

    step = var(u8, 0)
    step_ticks = var(ticks, 6000)

    def on_start(self) -> None:
        hw.set_duty(hw.duty_top)
        hw.set_step(0)
        hw.set_compare(wrap_add(hw.timer(), self.step_ticks))

    def on_step_timer(self) -> None:
        step = self.step + 1
        if step == 6:
            step = u8(0)
        self.step = step
        hw.set_step(step)
        hw.set_compare(wrap_add(hw.timer(), self.step_ticks))
        if step == 0:
            goal = hw.rpm_ticks // max(u32(hw.command_rpm()) * 6, u32(1))
            if u32(self.step_ticks) > goal + u32(self.trim):
                self.step_ticks -= self.trim
