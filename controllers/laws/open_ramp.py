"""Open ramp: the step time is shortened on a schedule and the rotor is expected to follow.

No sensor is read. Once per electrical turn the step time moves by the trim toward the step time of the
commanded speed,

    step time = 10 / (pole pairs * rpm) s = rpm_ticks / (6 * rpm) timer ticks,

which is divided out only when the command changes. If the load or the inertia is more than the trim allows,
the rotor falls out of step and nothing here notices it.
"""

from controllers.bases.stepper import Stepper
from controllers.dialect import hw, number, param, sat, sat_add, ticks, u16, u32, var


class OpenRamp(Stepper):
    """Ramp the step time open loop, without a sensor."""

    start_step = param(ticks, "start_step_s", 0.008, low=1e-6, high=1.0, about="step time of the first steps")
    trim = param(
        number, "trim_s", 1e-4, low=0, high=0.01, about="change of the step time per electrical turn"
    )
    start_duty = param(u16, "start_duty", 1.0, low=0, high=1, about="duty, held all the time")

    step_time = var(number, 0)  # ticks, with the fraction that the arithmetic can hold
    goal = var(number, 0)  # step time of the commanded speed
    command = var(u16, 0)  # rpm that `goal` was worked out for

    def first_duty(self) -> u16:
        return self.start_duty

    def first_step_time(self) -> ticks:
        return self.start_step

    def on_start(self) -> None:
        super().on_start()
        self.step_time = number(self.step_ticks)
        self.goal = self.step_time

    def after_step(self) -> None:
        if self.step == 0:
            self.trim_step_time()

    def trim_step_time(self) -> None:
        """Go one trim towards the step time of the command."""
        command = hw.command_rpm()
        if command != self.command:
            self.command = command
            self.find_goal()
        if self.step_time > self.goal:
            self.step_time = max(self.step_time - self.trim, self.goal)
        else:
            self.step_time = min(sat_add(self.step_time, self.trim), self.goal)
        self.step_ticks = self.within_timer(sat(ticks, self.step_time))

    def find_goal(self) -> None:
        """Step time of the command."""
        longest = u32(self.longest_step())
        if self.command == 0:
            self.goal = number(longest)
        else:
            self.goal = number(min(hw.rpm_ticks // (u32(self.command) * 6), longest))
