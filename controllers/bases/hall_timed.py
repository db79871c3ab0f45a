"""Commutation timed by one Hall sensor: one rising edge per electrical turn, where step 0 belongs.

Start: the level alone drives. While it is high the rotor is in the first half of the turn, and step 1 pulls
it on wherever it is there; while it is low, step 4 does. The level is looked at every `start_look_s`, and a
rising edge makes step 0 at once. After `START_TURNS` turns one turn predicts the next, and the steps are
timed.

Kick: about the two angles where the level changes there is no pull, and beside a sensor off its place one
backwards, so a rotor can rest there. If many looks find the same level the rotor is kicked until it changes:
by the step ahead, which pulls it past a late change, or by the step behind, which pulls it on from the change
before. Either alone can move a rotor to and fro for ever; so can each in its turn, where a swing takes every
other kick: hence two kicks ahead, then two behind. A rotor too heavy to move much in a kick the mean of both
still pulls on.

Run: each edge restarts the turn at step 0 and measures it; the five other steps follow at the step time that
the law works out in `followed`. What counts as an edge:

- not one before which no step or look has found the level low: a spike while the level is high, at rest too.
  A rotor that turns shows the low level to three steps, and to one still when it suddenly takes three eighths
  of its last period. Only where a timed step was due and is not made (its compare was missed) nobody could
  look, and the edge counts;
- not one whose level is low again when it is served in time: a spike while the level is low.

A period counts only when it fits the timer (the looks or steps made in it say so). Without an edge for
`stall_steps` steps, or for as long as a turn fits the timer, the motor is taken to stand still and is started
again: the steps may be so slow for the rotor that no other turn will fit.

The step timer may interrupt the Hall edge (nested priorities): what it writes is read with interrupts masked,
and the compare is parked, a longest step away, until the new turn is ready.
"""

from controllers.bases.stepper import Stepper
from controllers.dialect import const, hw, param, sat_sub, ticks, u8, u32, var, wrap_add, wrap_sub


class HallTimed(Stepper):
    """Steps re-anchored at every Hall edge."""

    start_look = param(
        ticks,
        "start_look_s",
        5e-4,
        low=1e-5,
        high=0.01,
        about="time between looks at the level at the start; a kick comes after 150 of them",
    )
    stall_steps = param(
        u8, "stall_steps", 18, low=10, high=200, about="steps without a Hall edge that mean a stall"
    )

    START_TURNS = const(u8, 6)
    SLOWEST_RPM = const(u32, 20)  # below it no speed is measured, however wide the timer
    NO_SPEED = const(u8, 254)  # steps since the edge that are a stall one step later
    KICK_FROM = const(u8, 150)  # looks at one level; the kick ends where their count wraps, at 256

    turns = var(u8, 0)  # electrical turns since the start, up to START_TURNS
    steps_since_edge = var(u8, 0)  # at the start: looks since the level changed
    kicks = var(u8, 1)  # kicks so far, and one: the step ahead where bit 1 is set, the first two times
    low_seen = var(u8, 0)  # whether the level was found low since the last edge
    room = var(ticks, 0)  # what is left of the timer's range since the last edge, 0 where it may have wrapped
    period = var(
        ticks, 0
    )  # timer ticks of the last electrical turn that counts, 0 where the speed is not known
    last_edge = var(ticks, 0)  # timer count at the last Hall edge

    def make_step(self) -> None:
        """At the start by the level, later the next of the six; look at the level."""
        if self.turns < self.START_TURNS:
            self.step_by_level()
        else:
            if hw.hall() == 0:
                self.low_seen = 1
            self.next_step()

    def on_hall_edge(self) -> None:
        """An edge: take it for the beginning of a turn unless it is a spike, and time the next turn."""
        edge = hw.captured()
        period = wrap_sub(edge, self.last_edge)
        with hw.masked():
            room = self.room
            turns = self.turns
            step_ticks = self.step_ticks
            last_period = self.period
            compare = self.compare
        if self.low_seen == 0 and (
            turns < self.START_TURNS or wrap_sub(compare, edge) <= self.longest_step()
        ):
            return
        if hw.hall() == 0 and wrap_sub(hw.timer(), edge) < step_ticks:
            return
        with hw.masked():
            hw.set_step(0)
            self.step = 0
            self.low_seen = 0
            self.compare = wrap_add(hw.timer(), self.longest_step())
            hw.set_compare(self.compare)
            self.room = self.longest_turn()
            self.steps_since_edge = 0
        self.last_edge = edge
        # a count no longer than a step has wrapped: since the last edge a step was made, or missed
        if room == 0 or period <= step_ticks:
            if turns >= self.START_TURNS:
                self.steps_since_edge = self.NO_SPEED
        else:
            last_period = period
            if turns < self.counted_turns():
                turns += 1
            step_ticks = self.new_step_ticks(period, turns, step_ticks)
        with hw.masked():
            self.turns = turns
            self.period = last_period
            self.step_ticks = step_ticks
            self.arm(wrap_add(edge, step_ticks))

    def counted_turns(self) -> u8:
        """Turns at which the interrupt stops counting."""
        return self.START_TURNS

    def new_step_ticks(self, period: ticks, turns: u8, step_ticks: ticks) -> ticks:
        """Step time of the turn that begins."""
        if turns < self.START_TURNS:
            self.begin_run()
            return step_ticks
        return self.within_timer(self.followed(period))

    def longest_step(self) -> ticks:
        """Half the range of the timer, or a sixth of a turn at the slowest speed where that is less."""
        # a step time or compare that is disturbed keeps the motor waiting no longer than this
        return ticks(min(u32(hw.timer_top >> 1), hw.rpm_ticks // (6 * self.SLOWEST_RPM)))

    def longest_turn(self) -> ticks:
        """Longest turn that counts: what the timer holds, but for the part by which steps may be late, or a
        turn at the slowest speed where that is less."""
        return ticks(min(u32(hw.timer_top - (hw.timer_top >> 6)), hw.rpm_ticks // self.SLOWEST_RPM))

    def step_by_level(self) -> None:
        """The step that pulls on at this level of the sensor, or a kick; time to the next look."""
        behind = u8(0)
        if hw.hall() == 0:
            behind = u8(3)
            if self.low_seen == 0:
                self.low_seen = 1
                self.steps_since_edge = 0
        if self.steps_since_edge < self.KICK_FROM:
            self.step = behind + 1
        else:
            self.step = behind + (self.kicks & 2)
        hw.set_step(self.step)
        self.step_ticks = self.within_timer(self.first_step_time())

    def after_step(self) -> None:
        """Count steps and what is left of the timer since the edge; notice a stall."""
        self.room = sat_sub(self.room, self.step_ticks)
        self.steps_since_edge = wrap_add(self.steps_since_edge, 1)
        if self.turns < self.START_TURNS:
            if self.steps_since_edge == self.KICK_FROM:
                self.kicks = wrap_add(self.kicks, 1)
        elif self.room == 0 or self.steps_since_edge > self.stall_steps:
            self.restart()

    def first_step_time(self) -> ticks:
        """Time between two looks at the level."""
        return self.start_look

    def restart(self) -> None:
        """Begin the start anew."""
        self.turns = 0
        self.period = 0
        self.steps_since_edge = 0
        self.room = 0  # the next edge ends no period that can be trusted

    def begin_run(self) -> None:
        """Called at every turn of the start: what the law must forget."""
        pass

    def followed(self, period: ticks) -> ticks:
        """Step time, in ticks, after a turn that took `period`. The law's own part."""
        return period // 6
