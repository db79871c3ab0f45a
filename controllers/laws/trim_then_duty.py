"""Trim, then duty: start at full voltage with a growing trim, hand over to the duty controller near the
speed.

Until the speed is within `handover_rpm` of the command the duty is full and each turn's steps are made a
little shorter than one sixth of the last period, by a trim that grows by the nudge per turn up to the lead:
the shortest spin-up that the supply allows. From there on it is `duty_pi`, whose integral begins so
that nothing jumps. When the speed falls below the handover again (a new command, a load), full voltage comes
back.
"""

from controllers.dialect import const, hw, number, param, sat, sat_add, ticks, u8, u16, var
from controllers.laws.duty_pi import DutyPi


class TrimThenDuty(DutyPi):
    """Spin up at full voltage with a trim of the step time, then hold the speed by the duty."""

    start_duty = param(u16, "start_duty", 1.0, low=0, high=1, about="duty until the speed is known")
    nudge = param(number, "trim_s", 2e-6, low=0, high=0.01, about="change of the trim per electrical turn")
    most_lead = param(number, "lead_s", 1e-5, low=0, high=0.01, about="largest trim: steps this much shorter")
    handover = param(
        u16, "handover_rpm", 1000, low=0, high=60000, about="how far below the command the duty takes over"
    )

    TRIM = const(u8, 0)
    DUTY = const(u8, 1)

    mode = var(u8, 0)
    trim = var(number, 0)  # ticks

    def begin_run(self) -> None:
        self.trim = 0

    def followed(self, period: ticks) -> ticks:
        if self.mode == self.DUTY:
            self.trim = 0
            return period // 6
        self.trim = min(max(self.trim, number(0)) + self.nudge, self.most_lead)
        # half a period, then a third: a 16-bit period fits every signed format of 16 integer bits
        return sat(ticks, number(period >> 1) / 3 - self.trim)

    def takes_over(self, speed_rpm: u16) -> u8:
        """From the hand-over speed on."""
        self.mode = self.TRIM
        if speed_rpm > 0 and sat_add(speed_rpm, self.handover) >= hw.command_rpm():
            self.mode = self.DUTY
        return self.mode
