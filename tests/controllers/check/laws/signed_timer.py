"""Broken on purpose: edges are compared as numbers, so that one turn in a timer's range is lost."""

from controllers.dialect import Law, hw, ticks, u8, var, wrap_add


class SignedTimer(Law):
    """Time the steps by the period, but not across the wrap."""

    step = var(u8, 0)
    known = var(u8, 0)
    last_edge = var(ticks, 0)
    step_ticks = var(ticks, 8000)

    def on_start(self) -> None:
        hw.set_step(0)
        hw.set_compare(wrap_add(hw.timer(), self.step_ticks))

    def on_hall_edge(self) -> None:
        edge = hw.captured()
        if self.known == 1 and edge > self.last_edge:
            self.step_ticks = max((edge - self.last_edge) // 6, ticks(200))
        self.known = 1
        self.last_edge = edge
        self.step = 0
        hw.set_step(0)
        hw.set_compare(wrap_add(hw.timer(), self.step_ticks))

    def on_step_timer(self) -> None:
        step = self.step + 1
        if step == 6:
            step = u8(0)
        self.step = step
        hw.set_step(step)
        hw.set_compare(wrap_add(hw.timer(), self.step_ticks))
