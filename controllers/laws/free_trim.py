"""Free trim: the steps follow the timer alone; the Hall sensor only measures the speed.

Full voltage, and a step time that is nudged once per electrical turn: shorter while the measured speed is
below the command, longer above it. The steps are never moved to where the rotor is. A rotor that is pulled
along swings about the field, with little to damp it; when it swings too far it falls out of step. Such a law
therefore loses the rotor long before supply or torque end its run, and the nudge decides how soon.

    speed in rpm = rpm_ticks / period        (whole numbers, period in timer ticks per electrical turn)

The start is that of the other laws with one sensor; after it the field is let go.
"""

from controllers.bases.hall_timed import HallTimed
from controllers.dialect import const, hw, number, param, sat, sat_add, ticks, u8, u32, var, wrap_sub


class FreeTrim(HallTimed):
    """Trim the time of free-running steps at full voltage; the Hall sensor measures the speed."""

    nudge = param(
        number, "trim_s", 2e-6, low=0, high=0.01, about="change of the step time per electrical turn"
    )

    FEWEST_STEPS = const(u8, 3)  # of the six of a turn: an edge after fewer is a spike

    step_time = var(number, 0)  # ticks, with the fraction that the arithmetic can hold

    def on_hall_edge(self) -> None:
        if self.turns < self.START_TURNS:
            super().on_hall_edge()
        elif self.steps_since_edge >= self.FEWEST_STEPS:
            self.trim()

    def followed(self, period: ticks) -> ticks:
        # half a period, then a third: a 16-bit period fits every signed format of 16 integer bits
        self.step_time = number(period >> 1) / 3
        return sat(ticks, self.step_time)

    def trim(self) -> None:
        """Take down the period and nudge the step time by it."""
        edge = hw.captured()
        period = wrap_sub(edge, self.last_edge)
        with hw.masked():
            step_ticks = self.step_ticks
            self.room = self.longest_turn()
            self.steps_since_edge = 0
        self.last_edge = edge
        if period > step_ticks:
            self.nudge_step_time(hw.rpm_ticks // u32(period))

    def nudge_step_time(self, speed_rpm: u32) -> None:
        """A nudge shorter below the command, longer above it."""
        if speed_rpm < u32(hw.command_rpm()):
            self.step_time = max(self.step_time - self.nudge, number(max(self.catch_up, ticks(1))))
        else:
            self.step_time = min(sat_add(self.step_time, self.nudge), number(self.longest_step()))
        found = self.within_timer(sat(ticks, self.step_time))
        with hw.masked():
            self.step_ticks = found
