"""The duty PI, but once a variable is upset it steps as fast as it can, for good."""

from controllers.dialect import ticks, u8, var
from controllers.laws.duty_pi import DutyPi


class StaysFast(DutyPi):
    """Step without a pause in one state, out of which nothing leads."""

    state = var(u8, 0)

    def within_timer(self, step_time: ticks) -> ticks:
        if self.state > 3:
            return ticks(1)
        return min(step_time, self.longest_step())
