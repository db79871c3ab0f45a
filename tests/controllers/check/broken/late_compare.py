"""Broken on purpose: the next step is set a fixed number of ticks after the edge, whatever a tick is worth.
The handler takes longer than that where the timer runs at the processor's clock."""

from controllers.dialect import Law, const, hw, ticks, u8, var, wrap_add, wrap_sub


class LateCompare(Law):
    """Step a fixed lead after the Hall edge."""

    LEAD = const(ticks, 30)

    step = var(u8, 0)
    last_edge = var(ticks, 0)
    step_ticks = var(ticks, 8000)

    def on_start(self) -> None:
        hw.set_step(0)
        hw.set_compare(wrap_add(hw.timer(), self.step_ticks))

    def on_hall_edge(self) -> None:
        edge = hw.captured()
        self.step_ticks = max(wrap_sub(edge, self.last_edge) // 6, ticks(400))
        self.last_edge = edge
        self.step = 0
        hw.set_compare(wrap_add(edge, self.LEAD))

    def on_step_timer(self) -> None:
        hw.set_step(self.step)
        self.step += 1
        if self.step == 6:
            self.step = 0
        hw.set_compare(wrap_add(hw.timer(), self.step_ticks))
