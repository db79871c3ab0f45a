"""Step trim: full voltage, and the step time alone decides the speed.

Each Hall edge restarts the turn and measures it; one sixth of the period is the step time at the present
speed. The six steps are made a trim shorter than that. The trim is nudged once per turn: up while the speed
is below the command, so that the field runs ahead of the rotor; down above it, below zero if need be, so
that the field falls behind and the torque fades. It stays within lead and lag, so it does not wind up.

    speed in rpm = rpm_ticks / period        (whole numbers, period in timer ticks per electrical turn)

No step lasts longer than 5/8 of the last turn, however large the lag. Step 0 held for an angle x and step 1
for the rest of the turn pull by cos(x - 60) - 1/2 (sin(120 - angle), then sin(180 - angle), summed over the
turn): they brake most at 240 degrees, -1.50, and 5/8 are 225, -1.47, by two shifts. Then a step finds the
level low in every turn, without which the next edge would not count.
"""

from controllers.bases.hall_timed import HallTimed
from controllers.dialect import hw, number, param, sat, ticks, u32, var


class StepTrim(HallTimed):
    """Trim the step time at full voltage, re-anchored at every Hall edge."""

    nudge = param(number, "trim_s", 2e-6, low=0, high=0.01, about="change of the trim per electrical turn")
    most_lead = param(number, "lead_s", 1e-5, low=0, high=0.01, about="largest trim: steps this much shorter")
    most_lag = param(number, "lag_s", 8e-4, low=0, high=0.01, about="smallest trim: steps this much longer")

    trim = var(number, 0)  # ticks

    def begin_run(self) -> None:
        self.trim = 0

    def followed(self, period: ticks) -> ticks:
        # half a period, then a third: a 16-bit period fits every signed format of 16 integer bits
        half = period >> 1
        step_time = number(half) / 3
        nudge = -self.nudge
        if hw.rpm_ticks // u32(period) < u32(hw.command_rpm()):
            nudge = self.nudge
            step_time -= number(period >> 6)  # the rotor gains speed: the next turn will be shorter
        self.trim = min(max(self.trim + nudge, -self.most_lag), self.most_lead)
        return min(sat(ticks, step_time - self.trim), half + (half >> 2))
