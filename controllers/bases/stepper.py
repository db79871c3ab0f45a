"""Six-step commutation by the step timer: what every law that schedules its own steps needs.

The timer interrupt switches to the next step and sets the next compare one step time after the last one, so
that the time spent in the interrupt never adds up. A step that is overdue is made up for at once; a call that
was asked for before the compare was moved finds that its time is not up, makes no step, and sets the compare
again.
"""

from controllers.dialect import Law, hw, param, ticks, u8, u16, var, wrap_add, wrap_sub


class Stepper(Law):
    """Steps at the times that the step timer gives."""

    catch_up = param(
        ticks, "catch_up_s", 2e-5, low=0, high=0.001, about="lead with which an overdue step is made up for"
    )

    step = var(u8, 0)  # 0..5
    compare = var(ticks, 0)  # timer count at which the next step is due
    step_ticks = var(ticks, 0)  # step time in use

    def on_start(self) -> None:
        """Reset: the first step is on, the timer is set for the next."""
        self.step_ticks = self.within_timer(self.first_step_time())
        hw.set_duty(self.first_duty())
        hw.set_step(self.step)
        self.compare = wrap_add(hw.timer(), self.step_ticks)
        hw.set_compare(self.compare)

    def on_step_timer(self) -> None:
        """The compare has struck: make the step that is due, set the next."""
        due = self.compare
        is_due = u8(0)
        if wrap_sub(hw.timer(), due) <= hw.timer_top >> 1:
            is_due = u8(1)
            self.make_step()
            due = wrap_add(due, self.step_ticks)
        # else too, or a disturbed `compare` would be waited for without end
        self.arm(due)
        if is_due != 0:
            self.after_step()

    def make_step(self) -> None:
        """Choose the step and make it."""
        self.next_step()

    def next_step(self) -> None:
        """Go on to the next of the six steps."""
        step = self.step + 1
        if step >= 6:
            step = u8(0)
        hw.set_step(step)
        self.step = step

    def arm(self, due: ticks) -> None:
        """Set the compare to `due`, or the catch-up ahead where that is sooner, past, or out of reach."""
        # a compare that is past already would wait for the whole wrap of the timer
        soonest = wrap_add(hw.timer(), max(self.catch_up, ticks(1)))
        if wrap_sub(due, soonest) > self.longest_step():
            due = soonest
        self.compare = due
        hw.set_compare(due)

    def within_timer(self, step_time: ticks) -> ticks:
        """A step time no longer than the longest."""
        return min(step_time, self.longest_step())

    def longest_step(self) -> ticks:
        """Longest step time: half the range of the timer."""
        # beyond half the range a due step could not be told from one that is overdue
        return hw.timer_top >> 1

    def first_step_time(self) -> ticks:
        """Step time at reset."""
        return self.longest_step()

    def first_duty(self) -> u16:
        """PWM counts at reset."""
        return hw.duty_top

    def after_step(self) -> None:
        """What the law adds to a step."""
        pass
