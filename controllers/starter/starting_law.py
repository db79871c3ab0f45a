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
from controllers.dialect import array, const, hw, number, param, sat, ticks, u8, u32, var


class StartingLaw(HallTimed):
    """Average the last turns, and lead the rotor while it is too slow."""

    # A parameter is given in the unit its key ends in (_s, _rpm, _duty ...) and becomes a constant of the
    # firmware; what rounding changes is reported. A scenario sets it under [firmware.parameters].
    lead = param(number, "lead_s", 5e-6, low=0, high=0.001, about="how much earlier each step is made")

    TURNS = const(u8, 4)

    # Static variables keep their value between interrupts.
    periods = array(ticks, 4, 0)  # the last four turns, in timer ticks
    place = var(u8, 0)

    # HallTimed starts the motor, debounces and times the edges, notices a stall. It calls `followed` once per
    # electrical turn with the time the turn took, and makes the next six steps as long as the answer says.
    def followed(self, period: ticks) -> ticks:
        self.periods[self.place] = period
        self.place += 1
        if self.place >= self.TURNS:
            self.place = 0
        step_time = self.mean() / 6
        # speed in rpm = rpm_ticks / period
        if hw.rpm_ticks // u32(period) < u32(hw.command_rpm()):
            step_time -= self.lead
        return sat(ticks, step_time)

    # A helper: its statements are compiled into the place where it is called.
    def mean(self) -> number:
        total = number(0)
        for turn in range(4):
            total += number(self.periods[turn] >> 2)
        return total

    # The first turn of a run fills the list.
    def begin_run(self) -> None:
        for turn in range(4):
            self.periods[turn] = self.period
