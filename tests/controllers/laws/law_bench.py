"""A shipped law on scripted hardware: 2 MHz timer of 16 bits, 2 pole pairs, 1000 PWM counts."""

from controllers import ports
from controllers.catalogue import law_path
from controllers.lower import compile_law
from tests.controllers.support import Bench, make_binding

TICK_HZ = 2e6
RPM_TICKS = 60_000_000  # 60 s/min * 2e6 Hz / 2 pole pairs
DUTY_TOP = 1000
START_TURNS = 6
ANCHORED = ("step_trim", "step_trim_background", "duty_pi", "trim_then_duty")
ONE_HALL = (*ANCHORED, "free_trim")
STEP_ARITHMETICS = ("i16", "i32", "q16.16", "q24.8", "f32", "f64")
DUTY_ARITHMETICS = ("i32", "q24.8", "f32", "f64")


def start(
    law: str, arithmetic: str = "i32", command_rpm: float = 20000, timer_bits: int = 16, **parameters: float
) -> Bench:
    """A law after on_start at timer count 100, the Hall level high."""
    binding = make_binding(arithmetic, parameters, timer_bits=timer_bits)
    bench = Bench(compile_law(law_path(law), binding))
    bench.inputs = {ports.IN_TIMER: 100, ports.IN_COMMAND_RPM: command_rpm, ports.IN_HALL: 1}
    bench.call("on_start")
    return bench


def last(bench: Bench, port: str) -> int:
    return [value for name, value in bench.log if name == port][-1]


def strike(bench: Bench, late: int = 0) -> int:
    """The step timer strikes at the compare, and is served `late` ticks after it; that compare."""
    has_own = "compare" in bench.program.statics
    compare = int(bench.value("compare")) if has_own else last(bench, "set_compare")
    bench.inputs[ports.IN_TIMER] = (compare + late) % (1 << bench.program.binding.timer_bits)
    bench.call("on_step_timer")
    return compare


def turn(bench: Bench, edge: int, steps: int = 5, delay: int = 4) -> int:
    """`steps` calls of the step timer, the last of them with the Hall level low, then an edge at count `edge`
    served `delay` ticks later; the next compare."""
    level = bench.inputs[ports.IN_HALL]
    for left in reversed(range(steps)):
        bench.inputs[ports.IN_HALL] = level if left else 0
        strike(bench)
    bench.inputs[ports.IN_HALL] = level
    return hall_edge(bench, edge, delay)


def rotate(bench: Bench, edge: int, period: int, turns: int) -> int:
    """Edges every `period` ticks after the one at `edge`, and the step timer whenever it is due, the level
    high in the first half of each turn; the count of the last edge."""
    now, end = edge, edge + turns * period
    while now < end:
        due = now + (int(bench.value("compare")) - now) % 65536
        edge_at = edge + period
        now = min(due, edge_at)
        bench.inputs[ports.IN_HALL] = 1 if now == edge_at or now - edge < period / 2 else 0
        if now == edge_at:
            edge = edge_at
            hall_edge(bench, edge)
        else:
            strike(bench)
    return edge


def hall_edge(bench: Bench, edge: int, delay: int = 4) -> int:
    """A Hall edge at count `edge`, served `delay` ticks later, and then a round of the main loop, if there is
    one; the next compare."""
    bench.inputs[ports.IN_CAPTURED] = edge % 65536
    bench.inputs[ports.IN_TIMER] = (edge + delay) % 65536
    bench.call("on_hall_edge")
    if "main_loop" in bench.program.handlers:
        bench.call("main_loop")
    return last(bench, "set_compare")


def running(law: str, arithmetic: str = "i32", period: int = 6000, **parameters: float) -> tuple[Bench, int]:
    """A law that has started up and makes turns of `period` ticks; the bench and the count of its last
    edge."""
    bench = start(law, arithmetic, **parameters)
    edge = 1000
    turn(bench, edge)
    for _ in range(START_TURNS):
        edge += period
        turn(bench, edge)
    assert bench.value("turns") == START_TURNS
    return bench, edge
