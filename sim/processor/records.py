"""The processor's numbers as flat records. Every time is a whole count of CPU clock cycles since reset."""

import numpy as np

NEVER = 1 << 62
"""A cycle that no run reaches."""

START, HALL_EDGE, STEP_TIMER, CONTROL_TICK, MAIN_LOOP = range(5)
"""Handlers, in the order of `controllers.HANDLERS`."""
HANDLER_COUNT = 5
STEP_COUNT = 6
ASLEEP = -1

SERVICE_ORDER = (STEP_TIMER, HALL_EDGE, CONTROL_TICK)
"""Which pending handler is taken first: the commutation, since torque depends on it."""

LATE_STEP_DEG = 15.0
"""A step later than this counts as late: a quarter of a step (our own convention)."""

OPPOSED_STEP_DEG = 90.0
"""A step made with the rotor further than this from where the step belongs opposes the motion: the
line-to-line back-EMF of a trapezoid changes sign 60 degrees before and 120 after the step's place, so its
mean over the next 60 degrees does so at 90 to either side."""

PROCESSOR = np.dtype(
    [
        ("clock_Hz", "f8"),
        ("entry_cycles", "i8"),
        ("exit_cycles", "i8"),
        ("tail_chain_cycles", "i8"),
        ("poll_loop_cycles", "i8"),
        ("loop_cycles", "i8"),
        ("polls", "i8"),
        ("level", "i8", (HANDLER_COUNT,)),
        ("top_level", "i8"),
        ("tick_cycles", "i8"),
        ("timer_mask", "i8"),
        (
            "reads_count",
            "i8",
        ),  # the handler reads the timer where another timer would hold the captured count
        ("pwm_count_cycles", "i8"),
        ("pwm_top", "i8"),
        ("control_cycles", "i8"),
        ("end_cycle", "i8"),
        ("settled_cycle", "i8"),
        ("handler_pc", "i8", (HANDLER_COUNT,)),
        ("sample_cycles", "i8"),
    ],
    align=True,
)
"""Constants of a run. `tick_cycles`: clocks per count of the step timer. `handler_pc`: -1 where the law has
no such handler. `poll_loop_cycles`: one round of the main loop that tests the flags, 1 where handlers are
interrupts (noticed at once); `entry_cycles` and `exit_cycles` are those of a call where it polls.
`tail_chain_cycles`: from one handler straight into the next, without exit and entry; 0 for hardware that
cannot. `loop_cycles`: from the end of the main loop's body to the beginning of the next, with the tests of
the flags where it polls; at least 1, since a loop that takes no time never lets it pass. `polls`: 1 where the
polling loop has a body of its own. `level`: a pending handler interrupts code of
a lower level, see `controllers.priorities`; `top_level`: the highest. `control_cycles`: 0 for no
control tick. `settled_cycle`: where the part of the run begins that settled values are of."""

PROCESSOR_STATE = np.dtype(
    [
        ("now", "i8"),
        ("handler", "i8"),
        ("pc", "i8"),
        ("resume", "i8"),
        ("wake", "i8"),
        ("at", "i8"),
        ("free", "i8"),
        ("spin", "i8"),
        ("turn", "i8"),
        ("chained", "i8"),
        ("masked", "i8"),
        ("pending", "i8", (HANDLER_COUNT,)),
        ("pending_due", "i8", (HANDLER_COUNT,)),
        ("pending_since", "i8", (HANDLER_COUNT,)),
        ("asked", "i8", (HANDLER_COUNT,)),
        ("since", "i8", (HANDLER_COUNT,)),
        ("entered", "i8", (HANDLER_COUNT,)),
        ("stolen", "i8", (HANDLER_COUNT,)),
        ("below", "i8", (HANDLER_COUNT,)),
        ("saved_pc", "i8", (HANDLER_COUNT,)),
        ("saved_cycles", "i8", (HANDLER_COUNT,)),
        ("captured", "i8"),
        ("trip_flag", "i8"),
        ("match", "i8"),
        ("match_due", "i8"),
        ("next_tick", "i8"),
        ("duty", "i8"),
        ("duty_now", "i8"),
        ("pwm_edge", "i8"),
        ("busy_cycles", "i8"),
        ("main_cycles", "i8"),
        ("worst_cycles", "i8", (HANDLER_COUNT,)),
        ("worst_response", "i8", (HANDLER_COUNT,)),
        ("runs", "i8", (HANDLER_COUNT,)),
        ("steps", "i8"),
        ("late_steps", "i8"),
        ("worst_late_cycles", "i8"),
        ("worst_late_deg", "f8"),
        ("last_step", "i8"),
        ("hall_edges", "i8"),
        ("missed_edges", "i8"),
        ("missed_compares", "i8"),
        ("overruns", "i8"),
        ("opposed_steps", "i8"),
        ("last_opposed", "i8"),
        ("place_cos", "f8", (STEP_COUNT,)),
        ("place_sin", "f8", (STEP_COUNT,)),
        ("place_steps", "i8"),
        ("next_sample", "i8"),
        ("trace_rows", "i8"),
        ("sample_busy", "i8"),
        ("sample_angle", "f8"),
        ("sample_square", "f8"),
        ("sample_steps", "i8"),
        ("sample_step", "i8"),
        ("sample_late_deg", "f8"),
        ("sample_error_deg", "f8"),
        ("log_rows", "i8"),
    ],
    align=True,
)
"""State and counters.

What happens next. `resume`: cycle at which the running code's next hardware access, or its end, takes effect;
`wake`: cycle at which the next handler is taken (NEVER: none is waiting that may be); `at`: cycle at which
the instruction `pc` began, or would have, had nothing interrupted it; `free`: end of the entry or exit
sequence under way, or the last one; `spin`: length of the rounds of an idle main loop, 0 while it is not
known to be idle; `turn`: place in the service order from which a polling loop with a body looks on in this
round; `chained`: the next handler is entered by tail-chaining; `masked`: no interrupt is
taken; `trip_flag`: the comparator has tripped since the firmware last looked.

Per handler. `asked`: when its event was due; `since`: when its flag rose; `entered`: when it was taken (main
loop: when the round began); `stolen`: cycles that others have had since; `below`: what it interrupted;
`saved_pc`, `saved_cycles`: where it was interrupted, and the cycles the instruction there has had.

Counters. `busy_cycles`: of all handlers but the main loop, whose cycles are `main_cycles`; `worst_cycles`:
longest run of a handler, entry and exit included, without what interrupted it; `worst_response`: longest time
from its flag until it gave the processor back (main loop: longest round, interrupts included); `last_step`:
cycle of the last commutation. `place_...`: for each of the six steps the sum of cosine and sine of the
electrical angle at which it found the rotor, and how many steps these were, from `settled_cycle` on.
`sample_...`: what the trace needs from the last sample on."""

(
    LOG_MATCH, LOG_HALL, LOG_TICK, LOG_ENTER, LOG_LEAVE, LOG_READ, LOG_WRITE, LOG_PWM, LOG_TRIP,
) = range(9)  # fmt: skip
LOG_NAMES = ("match", "hall", "tick", "enter", "leave", "read", "write", "pwm", "trip")
LOG_COLUMNS = ("cycle", "kind", "a", "b")
"""Event log. a, b: match: count; hall: level, captured count; tick: -; enter: handler, 1 + the
handler it interrupts (0: none); leave: handler; read and write: port, value; pwm: 1 on, 0 off; trip: -.
Rounds of the main loop leave no rows."""

TRACE_COLUMNS = (
    "t_s",
    "speed_rpm",
    "command_rpm",
    "step_time_ticks",
    "duty",
    "rms_phase_A",
    "cpu_load",
    "lateness_deg",
    "angle_error_deg",
    "supply_J",
    "opposed_steps",
    "load_J",
    "winding_C",
    "bridge_V",
    "steps",
)
"""Columns of the decimated traces. Means since the row before: speed, step time, current, load, angle error;
`lateness_deg` is the largest since then, of a step after the event that asked for it; `angle_error_deg` is
how late the step came for the rotor (0: where back-EMF commutation is ideal). `duty` is 0 to 1."""
