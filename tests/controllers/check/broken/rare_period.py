"""Broken on purpose: a product that fits 16 bits for all periods but a handful of the 65536."""

from controllers.dialect import Law, hw, ticks, u8, u16, var, wrap_add, wrap_sub


class RarePeriod(Law):
    """Time the steps by the period, with a dither that can overflow."""

    step = var(u8, 0)
    step_ticks = var(ticks, 8000)
    compare = var(ticks, 0)
    last_edge = var(ticks, 0)
    dither = var(u16, 0)

    def on_start(self) -> None:
        hw.set_step(0)
        self.arm(hw.timer())

    def on_hall_edge(self) -> None:
        edge = hw.captured()
        period = wrap_sub(edge, self.last_edge)
        self.last_edge = edge
        self.dither = u16(period % 263) * u16(period % 253)
        self.step_ticks = max(period // 6, ticks(200))
        self.step = 0
        hw.set_step(0)
        self.arm(hw.timer())

    def on_step_timer(self) -> None:
        step = self.step + 1
        if step == 6:
            step = u8(0)
        self.step = step
        hw.set_step(step)
        self.arm(hw.timer())

    def arm(self, now: ticks) -> None:
        self.compare = wrap_add(now, self.step_ticks)
        hw.set_compare(self.compare)
