"""From a failing scenario to the one call of a handler in which it shows."""

from typing import Any

from controllers.c.snippet import c_vector
from controllers.check.bench.records import LOG_ENTER, LOG_LEAVE, LOG_READ, LOG_WRITE
from controllers.check.result import Counterexample
from controllers.check.scenario import Scenario
from controllers.check.stand import Bench, Outcome
from controllers.faults import FAULT_NAMES
from controllers.kinds import MACHINE_KINDS
from controllers.ports import IN_PORTS, OUT_PORTS
from controllers.program import HANDLERS, Program

LOG_ROWS = 2_000_000
"""Room for every access of the longest scenario."""


def statics(program: Program, ints: Any, floats: Any) -> dict[str, int | float]:
    """Static variables in stored form."""
    return {
        name: float(floats[slot]) if MACHINE_KINDS[program.slot_kinds[slot]].is_float else int(ints[slot])
        for name, slot in program.statics.items()
    }


def explain_call(
    bench: Bench, scenario: Scenario, call: int, pc: int, expected: str, found: str
) -> Counterexample:
    """The counterexample at handler call number `call` (from 0, the start included), whose instruction `pc`
    (of the Program) shows it."""
    program = bench.program
    outcome = bench.play(scenario, LOG_ROWS, calls=call + 1)
    before = statics(program, *outcome.before)
    first = statics(program, program.ints, program.floats)
    rows = _last_call(outcome)
    handler = HANDLERS[rows[-1][2]] if len(rows) and rows[-1][1] == LOG_LEAVE else bench.handler_of(pc)
    reads = tuple((IN_PORTS[r[2]].name, int(r[3])) for r in rows if r[1] == LOG_READ)
    writes = tuple((OUT_PORTS[r[2]].name, int(r[3])) for r in rows if r[1] == LOG_WRITE)
    line = int(program.lines[pc])
    return Counterexample(
        handler=handler,
        place=program.place(line),
        text=program.source[line - 1].strip(),
        scenario=scenario,
        state={name: value for name, value in before.items() if value != first[name]},
        inputs=reads,
        outputs=writes,
        expected=expected,
        found=found,
        vector=c_vector(program, handler, before, [value for _, value in reads], found),
    )


def _last_call(outcome: Outcome) -> Any:
    """Rows of the log that belong to the last call of a handler; none precede the start handler's."""
    rows = outcome.log
    entered = [number for number, row in enumerate(rows) if row[1] == LOG_ENTER]
    return rows[entered[-1] :] if entered else rows


def explain_finding(bench: Bench, scenario: Scenario, finding: str, expected: str) -> Counterexample:
    """The counterexample of one of `bench.records.FINDINGS`, at its first place."""
    outcome = bench.play(scenario, watch=finding)
    state = outcome.state
    pc = bench.origin(int(state["finding_pc"]))
    # a fault of the machine shows while its handler runs, a missed compare when it has returned
    call = int(state["calls"]) - (1 if finding not in FAULT_NAMES and state["handler"] < 0 else 0)
    found = finding if finding in FAULT_NAMES else f"{finding}: {int(state['finding_value']):,}"
    return explain_call(bench, scenario, call, pc, expected, found)
