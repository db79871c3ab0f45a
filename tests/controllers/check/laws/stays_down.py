"""The duty PI, but a stall is answered by no voltage for good."""

from controllers.dialect import hw, number, u8, var
from controllers.laws.duty_pi import DutyPi


class StaysDown(DutyPi):
    """Give up at the first stall."""

    stalled = var(u8, 0)

    def restart(self) -> None:
        """Give up."""
        self.stalled = 1
        self.turns = 0
        self.period = 0

    def begin(self, proportional: number) -> None:  # noqa: ARG002 (as in the base)
        """The duty of the start, none after a stall."""
        self.integral = number(0)
        hw.set_duty(self.start_duty)
        if self.stalled != 0:
            hw.set_duty(0)
