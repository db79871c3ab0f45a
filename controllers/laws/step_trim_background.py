"""Step trim with the arithmetic in the main loop: the interrupts only switch and take down times.

The Hall interrupt restarts the turn and notes the period; the main loop divides, and the step time it finds is in
use from then on. A division no longer delays a step. What is shared between the two is taken over with interrupts
masked, because a value of two bytes is otherwise read half old, half new on an 8-bit core.
"""

from controllers.dialect import hw, ticks, u8, var
from controllers.laws.step_trim import StepTrim


class StepTrimBackground(StepTrim):
    """Trim the step time at full voltage; the main loop does the arithmetic, not the interrupt."""

    is_new = var(u8, 0)  # a turn has been measured and not yet followed
    noted = var(ticks, 0)  # its period

    def measured(self, period: ticks) -> None:
        self.noted = period
        self.is_new = 1
        self.period = period
        if self.turns < self.START_TURNS:
            self.turns += 1
            self.step_ticks = self.within_timer(period // 6)

    def main_loop(self) -> None:
        if self.is_new != 0 and self.turns == self.START_TURNS:
            self.follow()
