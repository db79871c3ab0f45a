"""A law from a few lines of text on a processor of small round numbers, beside a rotor that coasts at a
known speed.

The clock is 1 MHz, one cycle is 1 us. Only port accesses and the return cost cycles (OUT_CYCLES, IN_CYCLES,
RET_CYCLES), and a multiplication, which stands for work (WORK_CYCLES): every cycle in a log can be added up
by hand.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from textwrap import dedent, indent
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers import Binding, Program, compile_law
from controllers.opcodes import IN, MUL, OUT, RET
from controllers.ports import IN_PORTS, OUT_PORTS
from controllers.program import HANDLERS
from sim.loop.native import run_spin
from sim.plant.emf import trapezoid
from sim.plant.hall import MIN_HYSTERESIS_RAD, hall_places
from sim.plant.records import PLANT, PLANT_STATE, SEGMENT, WINDOW_COLUMNS, Record
from sim.processor.records import (
    ASLEEP,
    LOG_COLUMNS,
    LOG_NAMES,
    PROCESSOR,
    TRACE_COLUMNS,
)
from sim.run.assemble import levels, processor_state

CLOCK_Hz = 1e6
OUT_CYCLES, IN_CYCLES, RET_CYCLES, WORK_CYCLES = 3, 2, 1, 100
ENTRY_CYCLES, EXIT_CYCLES, LOOP_CYCLES = 10, 5, 2
PRICES: Mapping[int, int] = {OUT: OUT_CYCLES, IN: IN_CYCLES, RET: RET_CYCLES, MUL: WORK_CYCLES}
"""Opcode -> cycles; the others are free."""
STEP_OFF = 6
NO_ROWS = 0
LOG_ROWS = 4000
MAX_SEGMENTS = 1_000_000

_KNOTS = 6
_IMPORTS = "from controllers.dialect import Law, hw, number, ticks, u8, u16, u32, var, wrap_add, wrap_sub\n"

PROCESSOR_NUMBERS: Mapping[str, int] = {
    "entry_cycles": ENTRY_CYCLES, "exit_cycles": EXIT_CYCLES, "tail_chain_cycles": 0,
    "poll_loop_cycles": 1, "loop_cycles": LOOP_CYCLES,
    "tick_cycles": 1, "timer_mask": 0xFFFF, "pwm_count_cycles": 1, "pwm_top": 100, "control_cycles": 0,
    "reads_count": 0,
}  # fmt: skip
"""Interrupts, a 16-bit timer that counts every cycle, a PWM period of 100 cycles, no control tick."""


def law(**handlers: str) -> str:
    """Source of a law from the bodies of its handlers; statics x (u16), n (u8) and seen (ticks) are there to
    use."""
    bodies = {"on_start": "pass", **handlers}
    text = f'{_IMPORTS}\n\nclass Case(Law):\n    """A case."""\n\n'
    text += "    x = var(u16, 1)\n    n = var(u8, 0)\n    seen = var(ticks, 0)\n"
    for name, body in bodies.items():
        text += f"\n    def {name}(self) -> None:\n{indent(dedent(body).strip(), ' ' * 8)}\n"
    return text


WORK = "self.x = self.x * self.x"
"""A statement of WORK_CYCLES."""


@dataclass(frozen=True)
class Rotor:
    """Coasting: rising Hall edges at `first_edge`, `first_edge` + `turn`, ... cycles, falling ones half a
    turn later; 0 stands still."""

    first_edge: float = 0.0
    turn: float = 0.0


STANDING = Rotor()


@dataclass(frozen=True)
class Outcome:
    """What a run left."""

    program: Program
    ending: int
    counters: Record
    state: Record
    ints: NDArray[np.int64]
    faults: NDArray[np.int64]
    trace: NDArray[np.float64]
    window: NDArray[np.float64]
    rows: NDArray[np.int64]

    @property
    def log(self) -> list[str]:
        """The event log, one readable line per row."""
        return [_line(*(int(number) for number in row)) for row in self.rows]

    def only(self, *words: str) -> list[str]:
        """Lines of the log that hold one of `words`."""
        return [line for line in self.log if any(word in line for word in words)]

    def static(self, name: str) -> int:
        """Value of a static variable of the law."""
        return int(self.ints[self.program.statics[name]])

    def count(self, name: str) -> int:
        """A counter of the processor."""
        return int(self.counters[name])


_DETAIL: Mapping[str, Callable[[int, int], str]] = {
    "match": lambda a, _b: f"count {a}",
    "hall": lambda a, b: f"{'rise' if a else 'fall'} captured {b}",
    "tick": lambda _a, _b: "",
    "trip": lambda _a, _b: "",
    "enter": lambda a, b: HANDLERS[a] + (f" over {HANDLERS[b - 1]}" if b else ""),
    "leave": lambda a, _b: HANDLERS[a],
    "read": lambda a, b: f"{IN_PORTS[a].name} {b}",
    "write": lambda a, b: f"{OUT_PORTS[a].name.removeprefix('set_')} {b}",
    "pwm": lambda a, _b: "on" if a else "off",
}


def _line(cycle: int, kind: int, a: int, b: int) -> str:
    """A row of LOG_COLUMNS in words."""
    name = LOG_NAMES[kind]
    return f"{cycle} {name} {_DETAIL[name](a, b)}".rstrip()


def _record(dtype: "np.dtype[Any]", values: Mapping[str, Any]) -> Record:
    record = np.zeros(1, dtype)[0]
    for name, value in values.items():
        record[name] = value
    return record


def plant(**values: Any) -> Record:
    """PLANT record: so heavy a rotor and so small a back-EMF constant that no current moves it."""
    knot, u_rad = hall_places(0.0, 0.0, _KNOTS)
    numbers = {
        "pole_pairs": 1, "resistance_ohm": 2.0, "switch_ohm": 0.1, "inductance_H": 1e-5,
        "ke_V_s_per_rad": 1e-9, "inertia_kg_m2": 1.0, "supply_V": 5.0, "diode_V": 0.7, "knots": _KNOTS,
        "cell_rad": 2.0 * math.pi / _KNOTS, "hall_knot": knot, "hall_u_rad": u_rad,
        "max_segment_rad": math.radians(30.0), "max_segment_s": 1e-3, "window_from_s": math.inf, **values,
    }  # fmt: skip
    return _record(PLANT, numbers)


def coasting(rotor: Rotor) -> Record:
    """PLANT_STATE record of a rotor (one pole pair) whose first rising edge comes at `rotor.first_edge`
    cycles."""
    omega = 2.0 * math.pi * CLOCK_Hz / rotor.turn if rotor.turn else 0.0
    rise_rad = 0.5 * MIN_HYSTERESIS_RAD
    before_rad = 2.0 * math.pi * rotor.first_edge / rotor.turn if rotor.turn else 1.0
    phi = (rise_rad - before_rad) % (2.0 * math.pi)
    cell = 2.0 * math.pi / _KNOTS
    knot = int(phi / cell)
    return _record(
        PLANT_STATE,
        {
            "knot": knot,
            "u_rad": phi - knot * cell,
            "omega_rad_s": omega,
            "step": STEP_OFF,
            "unsettled": 1,
            "busy": ASLEEP,
        },
    )


def compile_text(folder: Path, text: str) -> Program:
    """Compile a law given as text for the processor of the cases."""
    path = folder / "case.py"
    path.write_text(text, encoding="utf-8")
    return compile_law(path, Binding("i32", 16, CLOCK_Hz, 1, 100, 1e-3, {}))


def prices(program: Program, per_opcode: Mapping[int, int]) -> NDArray[np.int64]:
    """Cycles of each instruction from a price per opcode."""
    return np.array([per_opcode.get(int(row[0]), 0) for row in program.code], dtype=np.int64)


def run(
    folder: Path,
    text: str,
    end_cycle: int,
    rotor: Rotor = STANDING,
    cost: Mapping[int, int] | NDArray[np.int64] = PRICES,
    commands: tuple[tuple[float, float], ...] = ((0.0, 0.0),),
    log_rows: int = LOG_ROWS,
    structure: str = "interrupt",
    sample_cycles: int = 0,
    trace_rows: int = NO_ROWS,
    window_rows: int = NO_ROWS,
    trip_A: float = 0.0,
    **processor: int,
) -> Outcome:
    """Run a law for `end_cycle` cycles; `processor` replaces PROCESSOR_NUMBERS.

    sample_cycles: 0 takes no sample, as long as the run is. trip_A: 0 for no comparator.
    """
    program = compile_text(folder, text)
    numbers = {**PROCESSOR_NUMBERS, **processor}
    assert set(numbers) == set(PROCESSOR_NUMBERS), "a misspelt processor number"
    entries = {
        "clock_Hz": CLOCK_Hz,
        "end_cycle": end_cycle,
        "handler_pc": program.entries,
        "sample_cycles": sample_cycles,
        **levels(structure, "main_loop" in program.handlers),
    }
    c = _record(PROCESSOR, {**numbers, **entries})
    p, s, k = plant(window_from_s=0.0, trip_A=trip_A), coasting(rotor), processor_state(c)
    ints = program.ints.copy()
    trace = np.zeros((trace_rows, len(TRACE_COLUMNS)))
    window = np.zeros((window_rows, len(WINDOW_COLUMNS)))
    log = np.zeros((log_rows, len(LOG_COLUMNS)), np.int64)
    arrays: dict[str, NDArray[Any]] = {
        "shape": trapezoid(_KNOTS),
        "code": program.code,
        "cost": prices(program, cost) if isinstance(cost, Mapping) else cost,
        "ints": ints,
        "floats": program.floats.copy(),
        "faults": program.new_faults(),
        "commands": np.array(commands, dtype=np.float64),
        "trace": trace,
        "window": window,
        "log": log,
    }
    ending = run_spin(p, s, np.zeros(1, SEGMENT)[0], c, k, arrays, MAX_SEGMENTS)
    return Outcome(
        program, ending, k, s, ints, arrays["faults"],
        trace[: k["trace_rows"]], window[: s["window_rows"]], log[: k["log_rows"]],
    )  # fmt: skip
