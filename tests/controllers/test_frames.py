"""Frames and stack: the estimate against compiled laws, and how levels add up."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from controllers.accuracy import ARITHMETICS, CORES, never_written, program_of
from controllers.catalogue import law_names
from controllers.compiled import measure_law
from controllers.cost import MAXIMUM, MINIMUM, TYPICAL, LinkedProgram, link
from controllers.graph import longest_routes, reachable, shortest_routes
from controllers.room import STACK_SPARE_BYTES
from targets import Target, load_target
from tests.controllers.support import compile_text, law_text
from tests.controllers.test_estimate import skip_without

CALLS = 24  # those of the table of errors: the data file holds what these meet
VARIABLES = "a = var(u16, 1)\nb = var(u8, 1)"
EDGE = "def on_hall_edge(self) -> None:\n    self.a = self.a // (u16(self.b) | 1)"
TIMER = "def on_step_timer(self) -> None:\n    hw.set_step(self.b)"


def cases() -> Iterator[object]:
    """One law on two cores in the normal run, all others marked slow."""
    for law in law_names():
        for arithmetic in ARITHMETICS:
            for core in CORES:
                is_quick = (law, arithmetic) == ("step_trim", "f32") and core in ("m0", "avr5")
                marks = () if is_quick else pytest.mark.slow
                yield pytest.param(law, arithmetic, core, marks=marks, id=f"{law}-{arithmetic}-{core}")


@pytest.mark.parametrize(("law", "arithmetic", "core"), list(cases()))
def test_frames_of_compiled_laws_are_what_the_data_hold(law: str, arithmetic: str, core: str) -> None:
    skip_without(core)
    if arithmetic == "f64" and core.startswith("avr"):
        pytest.skip("double has 32 bits on this core: the exported C refuses to compile")
    target = load_target(core)
    linked = link(program_of(law, arithmetic), target)
    found, called = measure_law(linked, target, CALLS), linked.routines
    for handler, measured in found.handlers.items():
        saved = target.frame.calling if called[handler] else target.frame.leaf
        below = max((target.routines[name].stack_bytes for name in called[handler]), default=0)
        own_call = target.frame.call_bytes if core.startswith("avr") else 0  # it is on the stack there
        spare = saved.stack_bytes + below + own_call - measured.stack_bytes
        # no law that the compiler takes as written may need more, or nothing would be safe
        assert spare >= 0 or never_written(linked.program), handler
        assert spare <= STACK_SPARE_BYTES or handler == "on_start", handler
        frame = measured.frame_cycles - target.interrupt.return_cycles
        assert saved.cycles[0] <= frame <= saved.cycles[2] or handler == "on_start", handler


def linked_pair(folder: Path, target: Target, structure: str) -> LinkedProgram:
    program = compile_text(folder, law_text("hw.set_step(0)", VARIABLES, f"{EDGE}\n{TIMER}"))
    return link(program, target, structure)


def test_one_level_holds_one_handler_above_the_main_program(tmp_path: Path) -> None:
    target = load_target("m0")
    frame, below = target.frame, target.routines["__aeabi_uidiv"].stack_bytes
    main, edge = frame.call_bytes + frame.leaf.stack_bytes, frame.calling.stack_bytes + below
    linked = linked_pair(tmp_path, target, "interrupt")
    assert linked.stack_bytes == main + frame.interrupt_bytes + edge
    assert linked.ram_bytes == linked.stack_bytes + 3  # the two variables


def test_nested_levels_stand_one_above_the_other(tmp_path: Path) -> None:
    target = load_target("m0")
    frame, flat = target.frame, linked_pair(tmp_path, target, "interrupt").stack_bytes
    nested = linked_pair(tmp_path, target, "nested").stack_bytes
    assert nested == flat + frame.interrupt_bytes + frame.leaf.stack_bytes


def test_a_polled_handler_is_called_not_interrupted_into(tmp_path: Path) -> None:
    target = load_target("m0")
    frame, flat = target.frame, linked_pair(tmp_path, target, "interrupt").stack_bytes
    assert (
        linked_pair(tmp_path, target, "polled").stack_bytes == flat - frame.interrupt_bytes + frame.call_bytes
    )


@pytest.mark.parametrize("name", ["m0", "avr5", "rv32imc", "acc8"])
@pytest.mark.parametrize("structure", ["interrupt", "polled"])
def test_every_way_through_a_handler_saves_and_restores_once(
    tmp_path: Path, name: str, structure: str
) -> None:
    body = "def on_hall_edge(self) -> None:\n    if hw.hall() == 0:\n        return\n    self.a = self.a // 7"
    program = compile_text(tmp_path, law_text("hw.set_step(0)", VARIABLES, body))
    target = load_target(name)
    linked = link(program, target, structure)
    in_entry = target.frame.in_entry_cycles if structure == "interrupt" else 0
    for level in (MINIMUM, TYPICAL, MAXIMUM):
        kind = target.frame.leaf if name == "rv32imc" else target.frame.calling  # it divides itself
        saved = max(kind.cycles[level] - in_entry, 0)
        for routes in (shortest_routes, longest_routes):
            assert routes(program, linked.frame_cycles[:, level])["on_hall_edge"].cost == saved
    start = sorted(reachable(program, program.handlers["on_start"]))
    assert not linked.frame_cycles[start].any()  # nobody's registers are saved at reset


def test_entry_sequences_that_save_registers_are_not_paid_twice() -> None:
    """Cortex-M: PUSH and POP of r4..r7, lr, 1 + 5 cycles each, are in entry and exit; the comment of the data
    file derives them, and a frame of five registers costs nothing more."""
    for name in ("m0", "m0plus", "m3", "m4f"):
        assert load_target(name).frame.in_entry_cycles == 2 * (1 + 5)
    program = program_of("duty_pi", "i32")
    target = load_target("m0")
    free = target.frame.leaf.model_copy(update={"cycles": (12, 12, 12)})
    frame = target.frame.model_copy(update={"leaf": free, "calling": free})
    linked = link(program, target.model_copy(update={"frame": frame}))
    assert not linked.frame_cycles.any()
    assert link(program, target).frame_cycles.any()
