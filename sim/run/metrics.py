"""What a Recording says, in numbers: speeds and times, firmware counters, currents, energy."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from controllers.faults import FAULT_NAMES
from controllers.program import HANDLERS
from sim.processor.records import MAIN_LOOP, START, TRACE_COLUMNS
from sim.run.assemble import SETTLED_PART
from sim.run.energy import trusted_energy_error
from sim.run.heat import steady_winding_C
from sim.run.responses import response_bounds_us
from sim.run.simulate import Recording

SMOOTH_ROWS = 9
"""Trace rows averaged before a speed counts as reached: takes out the ripple of single steps (0.5 % of the
run)."""


@dataclass(frozen=True)
class ArithmeticFault:
    """A wrap, a division by zero, an out-of-range conversion or index that nobody meant. `place`: "line 12"
    of the law's file, "line 12 of base.py" in a file it derives from; `text`: that line."""

    kind: str
    place: str
    text: str
    count: int


@dataclass(frozen=True)
class Metrics:
    """Numbers of one run. Speeds in rpm, times in s, lateness in us and electrical degrees.

    `settled_...` are means over the last tenth of the run; of currents the root of the mean square, per
    phase. `rms_phase_A` and `peak_phase_A` are of the whole run, start included.
    `cpu_load`, `peak_cpu_load`: part of the time that handlers take, settled and of the fullest trace row.
    `settled_angle_error_deg`: how far the steps come late for the rotor (early: negative), mean over the
    steps; `settled_lateness_deg`: how late after they were asked for, the largest of each trace row.
    `settled_opposed_part`: opposed steps over all steps there; `settled_steps_per_turn`: steps over
    electrical turns of the rotor there; `settled_place_spread`: how much the angles differ at which a step
    finds the rotor there, 0: always the same, 1: any (circular variance, 1 less the mean resultant length:
    Mardia and Jupp, Directional Statistics, 2000, section 2.3, from memory). `settled_supply_W`: what the
    supply gives then, of which the load gets `efficiency`. `time_to_speed_s` is None when the required speed
    was never reached. `overshoot_percent`: how far the smoothed speed goes beyond the highest speed commanded
    until then, at most, and `overshoot_s` when; 0 where it never does.
    `worst_case_cycles`: per handler, entry and exit included, the longest path at the
    highest instruction costs; `measured_cycles`: the longest seen in the run, without what interrupted it.
    `worst_response_us`: longest time from a handler's event until it was done, waiting and interruptions
    included, and of the main loop its longest round; `response_bound_us`: the same by formula at the settled
    speed (`sim.run.responses`), where there is one. `late_steps`: later than a
    quarter of a step. `opposed_steps`: steps that pushed against the motion, with the rotor more than 90
    electrical degrees from where they belong. `winding_C`: the highest temperature of the run;
    `winding_steady_C`: the one it ends at if the settled current goes on, infinite where it runs away; both
    None where nothing warms up.
    """

    reached_rpm: float
    settled_rpm: float
    time_to_speed_s: float | None
    overshoot_percent: float
    overshoot_s: float
    worst_case_cycles: dict[str, int]
    measured_cycles: dict[str, int]
    worst_response_us: dict[str, float]
    response_bound_us: dict[str, float | None]
    cpu_load: float
    peak_cpu_load: float
    steps: int
    late_steps: int
    worst_lateness_us: float
    worst_lateness_deg: float
    settled_lateness_deg: float
    settled_angle_error_deg: float
    settled_opposed_part: float
    settled_steps_per_turn: float
    settled_place_spread: float
    missed_edges: int
    missed_compares: int
    overruns: int
    opposed_steps: int
    last_opposed_s: float | None
    faults: tuple[ArithmeticFault, ...]
    peak_phase_A: float
    rms_phase_A: float
    settled_rms_phase_A: float
    settled_step_ticks: float
    settled_supply_W: float
    efficiency: float
    energy_balance_error: float
    over_current_trips: int
    lowest_bridge_V: float
    winding_C: float | None
    winding_steady_C: float | None


def column(recording: Recording, name: str) -> NDArray[np.float64]:
    """One column of the decimated traces."""
    rows: NDArray[np.float64] = recording.trace[:, TRACE_COLUMNS.index(name)]
    return rows


def smoothed_rpm(recording: Recording) -> NDArray[np.float64]:
    """Speed averaged over SMOOTH_ROWS rows, same length as the trace."""
    speed = column(recording, "speed_rpm")
    room = SMOOTH_ROWS // 2
    padded = np.pad(speed, room, mode="edge")
    return np.convolve(padded, np.full(SMOOTH_ROWS, 1.0 / SMOOTH_ROWS), mode="valid")


def settled_rows(recording: Recording, name: str) -> NDArray[np.float64]:
    """A trace column in the last part of the run."""
    rows = column(recording, name)
    return rows[-max(1, round(len(rows) * SETTLED_PART)) :]


def _settled(recording: Recording, name: str) -> float:
    """Mean of a trace column over the last part of the run."""
    return float(settled_rows(recording, name).mean())


def _settled_of_steps(recording: Recording, name: str) -> float:
    """Mean of a trace column over the steps of the last part of the run: a row without a step has no say."""
    rows = settled_rows(recording, name)
    steps = np.diff(column(recording, "steps"), prepend=0.0)[-len(rows) :]
    return float(np.average(rows, weights=steps)) if steps.any() else 0.0


def _time_to(recording: Recording, speed_rpm: float) -> float | None:
    """First time [s] at which the smoothed speed is at least `speed_rpm`, between two rows on the straight
    line: the length of the run, which sets their distance, must not decide."""
    speed, t_s = smoothed_rpm(recording), column(recording, "t_s")
    reached = np.flatnonzero(speed >= speed_rpm)
    if not len(reached):
        return None
    row = int(reached[0])
    return float(np.interp(speed_rpm, speed[row - 1 : row + 1], t_s[row - 1 : row + 1]) if row else t_s[0])


def overshoot(recording: Recording) -> tuple[float, float]:
    """Worst overshoot [%] and its time [s]. A command of 0 rpm cannot be overshot by a part of itself."""
    commanded = np.maximum.accumulate(column(recording, "command_rpm"))
    beyond = smoothed_rpm(recording) / np.maximum(commanded, 1.0) - 1.0
    worst = int(np.argmax(np.where(commanded >= 1.0, beyond, 0.0)))
    if commanded[worst] < 1.0 or beyond[worst] <= 0.0:
        return 0.0, 0.0
    return 100.0 * float(beyond[worst]), float(column(recording, "t_s")[worst])


def _grown(recording: Recording, name: str) -> float:
    """What a trace column that adds up has grown by over the last part of the run."""
    rows = column(recording, name)
    return float(rows[-1] - rows[-max(2, round(len(rows) * SETTLED_PART))])


def _settled_part(recording: Recording, part: str, whole: str) -> float:
    """One sum over another in the last part of the run; 0 where the other does not grow."""
    grown = _grown(recording, whole)
    return _grown(recording, part) / grown if grown > 0.0 else 0.0


def _steps_per_turn(recording: Recording) -> float:
    """Steps over electrical turns of the rotor in the last part of the run; one turn at least counts."""
    t_s = settled_rows(recording, "t_s")
    turns = recording.plant["pole_pairs"] * _settled(recording, "speed_rpm") / 60.0 * (t_s[-1] - t_s[0])
    return _grown(recording, "steps") / max(abs(float(turns)), 1.0)


def _place_spread(recording: Recording) -> float:
    """Circular variance of the rotor's angle at each of the six steps, mean over the steps; 0 without any."""
    k = recording.counters
    if not k["place_steps"]:
        return 0.0
    return 1.0 - float(np.hypot(k["place_cos"], k["place_sin"]).sum() / k["place_steps"])


def arithmetic_faults(recording: Recording) -> tuple[ArithmeticFault, ...]:
    """Counted faults by line of the law, the most frequent first."""
    program = recording.firmware.program
    found: dict[tuple[str, int], int] = {}
    for pc, kind in zip(*np.nonzero(recording.faults), strict=True):
        key = (FAULT_NAMES[kind], int(program.lines[pc]))
        found[key] = found.get(key, 0) + int(recording.faults[pc, kind])
    faults = [
        ArithmeticFault(kind, program.place(line), program.source[line - 1].strip(), count)
        for (kind, line), count in found.items()
    ]
    return tuple(sorted(faults, key=lambda fault: -fault.count))


def worst_case_cycles(recording: Recording) -> dict[str, int]:
    """CPU clocks of each handler at worst, entry and exit included; of the main loop with the jump back, and
    the tests of the flags where it polls."""
    firmware, c = recording.firmware, recording.processor
    if firmware.costs_nothing:
        return dict.fromkeys(firmware.linked.worst_case_cycles, 0)
    around = dict.fromkeys(HANDLERS, int(c["entry_cycles"] + c["exit_cycles"]))
    around |= {HANDLERS[START]: 0, HANDLERS[MAIN_LOOP]: int(c["loop_cycles"])}
    return {
        name: cycles + around[name] // firmware.cycle_scale
        for name, cycles in firmware.linked.worst_case_cycles.items()
    }


def _per_handler(recording: Recording, counter: str) -> dict[str, int]:
    """A counter that the processor keeps for each handler, for those that the law has."""
    return {
        name: int(recording.counters[counter][index])
        for index, name in enumerate(HANDLERS)
        if name in recording.firmware.program.handlers
    }


def _measured_cycles(recording: Recording) -> dict[str, int]:
    """CPU clocks of each handler at most in the run."""
    scale = recording.firmware.cycle_scale
    return {name: cycles // scale for name, cycles in _per_handler(recording, "worst_cycles").items()}


def _worst_response_us(recording: Recording) -> dict[str, float]:
    """Longest response of each handler, and longest round of the main loop [us]."""
    clock_MHz = recording.firmware.clock_Hz * 1e-6
    return {name: cycles / clock_MHz for name, cycles in _per_handler(recording, "worst_response").items()}


def _response_bound_us(recording: Recording) -> dict[str, float | None]:
    """Response times by formula, with the times between events that the settled part of the run shows: a
    Hall edge from each sensor in a turn, or two, a step after its mean step time."""
    design, turn_Hz = recording.design, _settled(recording, "speed_rpm") / 60.0
    step_s = _settled(recording, "step_time_ticks") * recording.firmware.tick_s
    edge_Hz = turn_Hz * design.motor.pole_pairs * design.hall.edges_per_turn
    clocks = recording.firmware
    # the tick is counted in cycles: a clock that is fast makes it shorter
    periods_s = {"on_control_tick": design.firmware.control_period_s * clocks.nominal_Hz / clocks.clock_Hz}
    periods_s |= {"on_hall_edge": 1.0 / edge_Hz} if edge_Hz > 0.0 else {}
    periods_s |= {"on_step_timer": step_s} if step_s > 0.0 else {}
    structure = design.firmware.structure
    return response_bounds_us(recording.firmware, structure, worst_case_cycles(recording), periods_s)


def _settled_rms_A(recording: Recording) -> float:
    return float((settled_rows(recording, "rms_phase_A") ** 2).mean() ** 0.5)


def _motor_numbers(recording: Recording, energy_error: float) -> dict[str, Any]:
    """Current and energy fields of Metrics."""
    s = recording.state
    rms = (float(s["square_A2s"]) / (3.0 * float(s["t_s"]))) ** 0.5
    return {
        "peak_phase_A": float(s["peak_A"]),
        "rms_phase_A": rms,
        "settled_rms_phase_A": _settled_rms_A(recording),
        "settled_supply_W": _grown(recording, "supply_J") / _grown(recording, "t_s"),
        "efficiency": _settled_part(recording, "load_J", "supply_J"),
        "over_current_trips": int(s["trips"]),
        "lowest_bridge_V": float(recording.plant["supply_V"] - s["deepest_sag_V"]),
        "energy_balance_error": energy_error,
        **_temperatures(recording),
    }


def _temperatures(recording: Recording) -> dict[str, float | None]:
    """Heat fields of Metrics."""
    design = recording.design
    if not design.thermal.is_modelled:
        return {"winding_C": None, "winding_steady_C": None}
    return {
        "winding_C": design.thermal.ambient_C + float(recording.state["hottest_rise_K"]),
        "winding_steady_C": steady_winding_C(design, _settled_rms_A(recording)),
    }


def _counter_numbers(recording: Recording) -> dict[str, Any]:
    """Processor fields of Metrics."""
    k, clock_Hz = recording.counters, recording.firmware.clock_Hz
    names = ("steps", "late_steps", "missed_edges", "missed_compares", "overruns", "opposed_steps")
    return {name: int(k[name]) for name in names} | {
        "worst_lateness_us": float(k["worst_late_cycles"]) / clock_Hz * 1e6,
        "worst_lateness_deg": float(k["worst_late_deg"]),
        "last_opposed_s": float(k["last_opposed"]) / clock_Hz if k["opposed_steps"] else None,
        "cpu_load": _settled(recording, "cpu_load"),
        "peak_cpu_load": float(column(recording, "cpu_load").max()),
    }


def measure(recording: Recording) -> Metrics:
    """All numbers of a run.

    Raises:
        InputError: energy appeared or vanished in the simulation; its numbers are not to be trusted.
    """
    require = recording.design.require
    error = trusted_energy_error(recording)
    overshoot_percent, overshoot_s = overshoot(recording)
    return Metrics(
        reached_rpm=float(smoothed_rpm(recording).max()),
        settled_rpm=_settled(recording, "speed_rpm"),
        time_to_speed_s=_time_to(recording, require.lowest_rpm),
        overshoot_percent=overshoot_percent,
        overshoot_s=overshoot_s,
        worst_case_cycles=worst_case_cycles(recording),
        measured_cycles=_measured_cycles(recording),
        worst_response_us=_worst_response_us(recording),
        response_bound_us=_response_bound_us(recording),
        settled_lateness_deg=_settled_of_steps(recording, "lateness_deg"),
        settled_angle_error_deg=_settled_of_steps(recording, "angle_error_deg"),
        settled_opposed_part=_settled_part(recording, "opposed_steps", "steps"),
        settled_steps_per_turn=_steps_per_turn(recording),
        settled_place_spread=_place_spread(recording),
        settled_step_ticks=_settled(recording, "step_time_ticks"),
        faults=arithmetic_faults(recording),
        **_counter_numbers(recording),
        **_motor_numbers(recording, error),
    )
