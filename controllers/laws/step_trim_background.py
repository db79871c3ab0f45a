"""Step trim with the arithmetic in the main loop: the interrupts only switch and take down times.

The Hall interrupt restarts the turn and notes the period; the main loop divides, and the step time it finds
is in use from the next step on. A division no longer delays a step. What both sides use is taken over with
interrupts masked, because an 8-bit core would otherwise read half an old value and half a new one.
"""

from controllers.dialect import hw, ticks, u8, var
from controllers.laws.step_trim import StepTrim


class StepTrimBackground(StepTrim):
    """Trim the step time at full voltage; the main loop does the arithmetic, not the interrupt."""

    is_new = var(u8, 0)  # a turn has been measured that the main loop has not seen
    noted = var(ticks, 0)  # its period

    # the start takes one turn less: the main loop ends it, when it has worked out a step time
    def counted_turns(self) -> u8:
        return self.START_TURNS - 1

    def new_step_ticks(self, period: ticks, turns: u8, step_ticks: ticks) -> ticks:  # noqa: ARG002
        self.noted = period
        self.is_new = 1
        return step_ticks

    def main_loop(self) -> None:
        if self.is_new != 0:
            with hw.masked():
                self.is_new = 0
                period = self.noted
            self.use(max(period, ticks(1)))

    def use(self, period: ticks) -> None:
        """Work out the step time of a turn that took `period`, unless the start has begun anew."""
        if self.turns < self.START_TURNS:
            self.begin_run()
        found = self.within_timer(self.followed(period))
        with hw.masked():
            # a stall in the meantime has begun the start anew
            if self.turns >= self.START_TURNS - 1:
                self.turns = self.START_TURNS
                self.step_ticks = found
