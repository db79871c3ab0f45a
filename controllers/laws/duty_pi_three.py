"""Duty PI with three Hall sensors: every edge says where the rotor is, so every step is made at its own edge.

The three levels form a code that names the step (sensors 120 electrical degrees apart; the first one rises
where step 0 belongs). No step is scheduled, and the start is not blind: the code is right at standstill. The
time of each step's edge is kept, so that a period is measured between two edges of the same sensor, one
whole turn apart, whatever the sensors' placement. The PI controller is that of `duty_pi`.

The step timer is the watchdog: a sixth of the longest turn that it can measure, without an edge, means that
the speed is not known.
"""

from controllers.dialect import array, const, hw, param, table, ticks, u8, u16, var, wrap_add, wrap_sub
from controllers.laws.duty_pi import DutyPi


class DutyPiThree(DutyPi):
    """Hold the speed by a PI controller of the duty, commutated by three Hall sensors."""

    start_duty = param(u16, "start_duty", 0.5, low=0, high=1, about="duty until the speed is known")

    SENSORS = const(u8, 3)  # a scenario with another number is refused

    # code = first + 2 * second + 4 * third level; 0 and 7 do not occur in a sound drive
    STEP_OF_CODE = table(u8, (6, 1, 3, 2, 5, 0, 4, 6))
    TURN = const(u8, 6)

    edges = var(u8, 0)  # edges since the speed was last unknown, up to a turn
    edge_at = array(ticks, 6, 0)  # timer count at which each step began

    def on_start(self) -> None:
        hw.set_duty(self.start_duty)
        self.watch()
        self.place()

    def on_hall_edge(self) -> None:
        before = self.step
        edge = hw.captured()
        self.place()
        if self.step == before:
            return
        self.measure(edge)
        hw.set_compare(wrap_add(edge, self.longest_step()))

    def longest_step(self) -> ticks:
        return self.longest_turn() // 6

    def on_step_timer(self) -> None:
        self.watch()
        self.place()

    def known_period(self) -> ticks:
        with hw.masked():
            period = self.period
        return period

    def place(self) -> None:
        """Make the step that the three levels ask for; levels that no rotor can show change nothing."""
        step = self.STEP_OF_CODE[hw.hall() & 7]
        if step < self.TURN:
            hw.set_step(step)
            self.step = step

    def measure(self, edge: ticks) -> None:
        """Period between two edges that begin the same step."""
        period = wrap_sub(edge, self.edge_at[self.step])
        self.edge_at[self.step] = edge
        with hw.masked():
            if self.edges < self.TURN:
                self.edges += 1
            else:
                self.period = period

    def watch(self) -> None:
        """Forget the speed, and look again a longest step later."""
        self.period = 0
        self.edges = 0
        hw.set_compare(wrap_add(hw.timer(), self.longest_step()))
