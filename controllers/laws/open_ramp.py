"""Open ramp: the step time is shortened on a schedule and the rotor is expected to follow.

No sensor is read. The timer interrupt switches to the next step and sets the next compare one step time after
the last, so that the time spent in the interrupt never adds up. Once per electrical turn the step time moves
by the trim toward the step time of the commanded speed,

    step time = 10 / (pole pairs * rpm) s = rpm_ticks / (6 * rpm) timer ticks,

which is divided out only when the command changes. If the load or the inertia is more than the trim allows,
the rotor falls out of step and nothing here notices it.
"""

from controllers.dialect import Law, hw, number, param, ticks, u8, u16, u32, var, wrap_add


class OpenRamp(Law):
    """Ramp the step time open loop, without a sensor."""

    start_step = param(ticks, "start_step_s", 0.004, low=1e-6, high=1.0, about="step time of the first steps")
    trim = param(
        number, "trim_s", 2e-6, low=0, high=0.01, about="change of the step time per electrical turn"
    )
    start_duty = param(u16, "start_duty", 1.0, low=0, high=1, about="duty, held all the time")

    step = var(u8, 0)  # 0..5
    compare = var(ticks, 0)  # timer count at which the next step is due
    step_time = var(number, 0)  # ticks, with the fraction that the arithmetic can hold
    step_ticks = var(ticks, 0)  # the same in whole ticks
    goal = var(number, 0)  # step time of the commanded speed
    command = var(u16, 0)  # rpm that `goal` was worked out for

    def on_start(self) -> None:
        self.step = 0
        self.command = 0
        self.step_ticks = min(self.start_step, hw.timer_top >> 3)
        self.step_time = number(self.step_ticks)
        self.goal = self.step_time
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
        if step == 0:
            self.trim_step_time()

    def trim_step_time(self) -> None:
        command = hw.command_rpm()
        if command != self.command:
            self.command = command
            self.find_goal()
        if self.step_time > self.goal:
            self.step_time = max(self.step_time - self.trim, self.goal)
        else:
            self.step_time = min(self.step_time + self.trim, self.goal)
        self.step_ticks = ticks(self.step_time)

    def find_goal(self) -> None:
        longest = u32(hw.timer_top >> 3)
        if self.command == 0:
            self.goal = number(longest)
        else:
            self.goal = number(min(hw.rpm_ticks // (u32(self.command) * 6), longest))
