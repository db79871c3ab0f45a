"""NAME: say in a sentence or two what this law does and why.

A law file is legal Python, but it is never run: tickspin reads it and compiles it for the arithmetic, timer
and motor of the scenario. So it holds one class, and only what the dialect knows; anything else is refused
with the line and what to write instead.

    tickspin run my_motor.toml --law NAME.py        what it does to a motor
    tickspin check NAME.py --arithmetic i32         overflow, division by zero, late compares, lost steps
    tickspin export NAME.py --arithmetic i32 --to c the same arithmetic as C

Values: u8 u16 u32 i8 i16 i32, f32 f64, q(m, n) fixed point; u64 i64 between two operations; `ticks`, the
count of the step timer; `number`, which the scenario binds (firmware.arithmetic). Kinds do not mix: write
u32(x).
Functions: min max abs scale(x, gain); wrap_add wrap_sub where a wrap is meant; sat_add sat_sub sat_mul and
sat(kind, x) where the end of the range is meant; mul_wide for the whole product; len(self.list).
Statements: assignments, if, for i in range(constant), return, with hw.masked(), self.helper(x), hw.port(x).
"""

from controllers.bases.hall_timed import HallTimed
from controllers.dialect import hw, param, sat, ticks, u16, u32, var


class StartingLaw(HallTimed):
    """Two-point control: push while the rotor is too slow, coast while it is too fast."""

    # A parameter is given in the unit its key ends in (_s, _rpm, _duty ...) and becomes a constant of the
    # firmware; what rounding changes is reported. A scenario sets it under [firmware.parameters].
    push = param(u16, "push_duty", 1.0, low=0, high=1, about="duty below the commanded speed")
    coast = param(u16, "coast_duty", 0.0, low=0, high=1, about="duty above it")

    # Static variables keep their value between interrupts. const(), array() and table() are the others. A law
    # that reads three Hall sensors says so: SENSORS = const(u8, 3).
    speed_rpm = var(u16, 0)

    # HallTimed starts the motor, debounces and times the edges, notices a stall. It calls `followed` once per
    # electrical turn with the time the turn took, and makes the next six steps as long as the answer says.
    def followed(self, period: ticks) -> ticks:
        self.speed_rpm = sat(u16, hw.rpm_ticks // u32(period))
        if self.speed_rpm < hw.command_rpm():
            hw.set_duty(self.push)
        else:
            hw.set_duty(self.coast)
        return period // 6

    # PWM counts at reset.
    def first_duty(self) -> u16:
        return self.push

    # Called after a stall, which may have come while the rotor coasted.
    def restart(self) -> None:
        super().restart()
        hw.set_duty(self.push)
