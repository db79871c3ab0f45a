"""The bench's numbers as flat records. Every time is a whole count of CPU clock cycles since reset."""

from typing import Final

import numpy as np

from controllers.faults import FAULT_NAMES
from controllers.program import HANDLERS

NEVER: Final = 1 << 62
"""A cycle that no play reaches."""

ASLEEP: Final = -1
START: Final = HANDLERS.index("on_start")
HALL_EDGE: Final = HANDLERS.index("on_hall_edge")
STEP_TIMER: Final = HANDLERS.index("on_step_timer")
CONTROL_TICK: Final = HANDLERS.index("on_control_tick")
MAIN_LOOP: Final = HANDLERS.index("main_loop")
HANDLER_COUNT: Final = len(HANDLERS)
SERVICE_ORDER: Final = (STEP_TIMER, HALL_EDGE, CONTROL_TICK, MAIN_LOOP)
"""Which pending handler is taken first; that of `sim.processor`, a test compares the two. The main loop's
turn comes when the others have nothing to do, once after each of them."""

EDGES: Final = 0
WAIT: Final = 1
GLITCH: Final = 2
COMMAND: Final = 3
POKE: Final = 4
DRIVE: Final = 5
TRIP: Final = 6
EVENT_COLUMNS: Final = ("kind", "wait_ticks", "count", "change")
"""One event of a scenario; it begins when the one before it is over, but what follows a POKE begins when that
began: a variable that changes moves no edge.

EDGES: `count` rising Hall edges, the first after `wait_ticks`; each interval is `change` ticks longer than
the one before (at least one tick). WAIT: nothing for `wait_ticks`. GLITCH: after `wait_ticks` an edge too
short to be seen in the level. COMMAND: the commanded speed becomes `count` rpm. POKE: after `wait_ticks` slot
`count` becomes `change`, between two handlers. DRIVE: for `wait_ticks` the edges come from a rotor that the
steps and the duty drive (`motor`), at `count` rpm to begin with. TRIP: after `wait_ticks` the over-current
comparator trips.
"""

MISSED_COMPARE: Final = len(FAULT_NAMES)
BAD_OUTPUT: Final = MISSED_COMPARE + 1
FINDINGS: Final = (*FAULT_NAMES, "compare in the past", "output out of range")
"""What a single play can show to be wrong: the faults of the machine, and two of the ports."""
NO_FINDING: Final = -1

BENCH: Final = np.dtype(
    [
        ("entry_cycles", "i8"),
        ("exit_cycles", "i8"),
        ("tick_cycles", "i8"),
        ("timer_mask", "i8"),
        ("reads_count", "i8"),
        ("control_cycles", "i8"),
        ("duty_top", "i8"),
        ("handler_pc", "i8", (HANDLER_COUNT,)),
        ("start_ticks", "i8"),
        ("command_rpm", "i8"),
        ("max_calls", "i8"),
        ("watch", "i8"),
        ("keeps_state", "i8"),
        ("motor_lag_cycles", "f8"),
        ("motor_turns_per_cycle", "f8"),
        ("motor_turns_per_cycle_rpm", "f8"),
        ("motor_load", "f8"),
        ("motor_cycles", "i8"),
    ],
    align=True,
)
"""Constants of a play. `start_ticks`: count of the timer at reset; `command_rpm`: the first command;
`max_calls`: handlers run before the play is given up; `watch`: the row of FINDINGS to stop at, or NO_FINDING;
`keeps_state`: 1 to keep the slots as each handler finds them. `motor_...`: see `motor`."""

BENCH_STATE: Final = np.dtype(
    [
        ("now", "i8"),
        ("handler", "i8"),
        ("pc", "i8"),
        ("resume", "i8"),
        ("wake", "i8"),
        ("free", "i8"),
        ("pending", "i8", (HANDLER_COUNT,)),
        ("captured", "i8"),
        ("level", "i8"),
        ("trip_flag", "i8"),
        ("fall", "i8"),
        ("match", "i8"),
        ("next_tick", "i8"),
        ("command_rpm", "i8"),
        ("step", "i8"),
        ("duty", "i8"),
        ("late_pc", "i8"),
        ("event", "i8"),
        ("begun", "i8"),
        ("next_event", "i8"),
        ("left", "i8"),
        ("interval", "i8"),
        ("drive_end", "i8"),
        ("driven_to", "i8"),
        ("rotor_turn", "f8"),
        ("rotor_speed", "f8"),
        ("spent", "i8"),
        ("calls", "i8"),
        ("missed_edges", "i8"),
        ("overruns", "i8"),
        ("worst_cycles", "i8", (HANDLER_COUNT,)),
        ("found", "i8", (len(FINDINGS),)),
        ("stopped", "i8"),
        ("finding_pc", "i8"),
        ("finding_value", "i8"),
        ("log_rows", "i8"),
    ],
    align=True,
)
"""State and counters. `found`: how often each of FINDINGS; `stopped`: 1 where `watch` was found, and
`finding_pc`, `finding_value` say where; `worst_cycles`: of each handler, without entry and exit."""

(
    LOG_EDGE, LOG_MATCH, LOG_TICK, LOG_ENTER, LOG_LEAVE, LOG_READ, LOG_WRITE, LOG_COMMAND, LOG_POKE, LOG_TRIP,
) = range(10)  # fmt: skip
LOG_NAMES: Final = ("edge", "match", "tick", "enter", "leave", "read", "write", "command", "poke", "trip")
LOG_COLUMNS: Final = ("cycle", "kind", "a", "b", "pc")
"""`pc`: of the access, else the last one. a, b: edge: level, captured count; match: count; enter and leave:
handler; read and write: port, value; command: rpm; poke: slot, value; trip: -."""
