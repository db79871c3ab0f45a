"""Duty PI: commutation follows the rotor, the PWM duty is controlled.

The Hall edge, one per electrical turn, restarts the turn at step 0; the five other steps follow at one sixth
of the last period. The field therefore never runs ahead of the rotor, and the speed is set by the voltage: a
PI controller runs at a fixed rate,

    error = command - speed
    duty  = kp * error + integral,   integral += ki * error * control period

with speed = rpm_ticks / period. The integral is kept in 1/256 duty counts, so that small errors add up in
whole numbers; it stands still while the duty is at a limit, so that it does not wind up. Until the speed is
known, and after a stall, the duty is `start_duty`; the integral begins at what is left of that without the
proportional part, so that nothing has to be unwound.
"""

from controllers.bases.hall_timed import HallTimed
from controllers.dialect import gain, hw, number, param, sat, scale, ticks, u8, u16, u32, var


class DutyPi(HallTimed):
    """Hold the speed by a PI controller of the duty, commutated from the Hall edge."""

    start_duty = param(u16, "start_duty", 0.5, low=0, high=1, about="duty until the speed is known")
    kp = param(gain, "kp_duty_per_rpm", 1e-4, low=0, high=1, about="proportional gain", fitted=True)
    ki = param(
        gain, "ki_duty_per_rpm_s", 1e-3, low=0, high=100, times=256, about="integral gain", fitted=True
    )

    integral = var(number, 0)  # 1/256 duty counts

    def first_duty(self) -> u16:
        return self.start_duty

    def on_control_tick(self) -> None:
        """Control the speed once it is known; until then the duty is that of the start."""
        speed_rpm = self.known_speed_rpm()
        error = number(hw.command_rpm()) - number(speed_rpm)
        proportional = scale(error, self.kp)
        if self.takes_over(speed_rpm) == 0:
            self.begin(proportional)
        else:
            self.control(error, proportional)

    def known_speed_rpm(self) -> u16:
        """Speed of the last electrical turn, 0 where it is not known."""
        period = self.known_period()
        if period == 0:
            return u16(0)
        return sat(u16, hw.rpm_ticks // u32(period))

    def known_period(self) -> ticks:
        """Timer ticks of the last electrical turn, 0 where the speed is not known."""
        with hw.masked():
            period = self.period
            if self.turns < self.START_TURNS:
                period = ticks(0)
        return period

    def takes_over(self, speed_rpm: u16) -> u8:
        """Whether the controller decides from this speed on, 0 or 1; asked at each control tick."""
        if speed_rpm == 0:
            return u8(0)
        return u8(1)

    def begin(self, proportional: number) -> None:
        """The duty of the start, and the integral that makes it up with the proportional part."""
        missing = number(self.start_duty) - proportional
        # never beyond the duty of the start, but the ranges of the analysis do not know that
        self.integral = min(max(missing, number(0)), number(hw.duty_top)) * 256
        hw.set_duty(self.start_duty)

    def control(self, error: number, proportional: number) -> None:
        """The PI controller; what it cannot set it does not integrate."""
        integral = min(max(self.integral, number(0)), number(hw.duty_top) * 256)
        wanted = proportional + integral / 256
        duty = min(max(wanted, number(0)), number(hw.duty_top))
        hw.set_duty(u16(duty))
        if wanted == duty:
            integral += scale(error, self.ki)
        self.integral = integral
