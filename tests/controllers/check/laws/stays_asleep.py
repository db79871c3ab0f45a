"""The duty PI, but a step timer that strikes before its time is not set again."""

from controllers.dialect import hw, wrap_sub
from controllers.laws.duty_pi import DutyPi


class StaysAsleep(DutyPi):
    """Wait for a compare that was disturbed, without end where no edge comes."""

    def on_step_timer(self) -> None:
        if wrap_sub(hw.timer(), self.compare) <= hw.timer_top >> 1:
            super().on_step_timer()
