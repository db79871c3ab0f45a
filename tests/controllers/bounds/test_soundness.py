"""The machine never leaves what the analysis says: shipped laws and random ones, at every instruction."""

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controllers.catalogue import law_names, law_path
from controllers.lower import compile_law
from controllers.priorities import PRIORITIES
from controllers.program import Program
from targets.errors import InputError
from tests.controllers.bounds.random_laws import laws
from tests.controllers.bounds.watch import Watch
from tests.controllers.support import compile_text, law_text, make_binding

ARITHMETICS = ("i16", "i32", "q24.8", "q16.16", "f32", "f64")


def compiled(law: str, arithmetic: str) -> Program | None:
    """None where the law's constants do not fit the arithmetic."""
    try:
        return compile_law(law_path(law), make_binding(arithmetic))
    except InputError:
        return None


@pytest.mark.parametrize("structure", PRIORITIES)
@pytest.mark.parametrize("law", law_names())
def test_shipped_laws_stay_within_their_bounds(law: str, structure: str) -> None:
    """Random inputs and order of handlers, interrupts between any two instructions."""
    programs = [program for arithmetic in ARITHMETICS if (program := compiled(law, arithmetic))]
    assert len(programs) >= 3
    for seed, program in enumerate(programs):
        watch = Watch(program, PRIORITIES[structure], seed)
        watch.run(60)
        assert watch.instructions > 60


def test_an_interrupt_that_the_analysis_does_not_know_of_is_noticed(tmp_path: Path) -> None:
    """The watch itself: ranges found for a polled law do not hold where interrupts come in."""
    lower = "def on_control_tick(self) -> None:\n    self.a = 3\n    self.b = u8(self.a)"
    upper = "def on_step_timer(self) -> None:\n    self.a = hw.command_rpm()"
    text = law_text("pass", "a = var(u16, 0)\nb = var(u8, 0)", f"{lower}\n{upper}")
    watch = Watch(compile_text(tmp_path, text), PRIORITIES["polled"], seed=0)
    watch.run(200)
    watch.priorities = PRIORITIES["nested"]
    with pytest.raises(AssertionError, match="on_control_tick"):
        watch.repeat("on_control_tick", 200)


def check_random_law(text: str, arithmetic: str, structure: str, seed: int) -> None:
    with TemporaryDirectory() as folder:
        try:
            program = compile_text(Path(folder), text, arithmetic)
        except InputError:
            return  # a constant that does not fit this arithmetic
    for further in range(3):
        Watch(program, PRIORITIES[structure], seed + further).run(12)


CASES = (laws(), st.sampled_from(["i32", "i16", "q16.16", "f32", "f64"]),
         st.sampled_from(["interrupt", "nested"]), st.integers(0, 1000))  # fmt: skip
NO_CHECKS = list(HealthCheck)


@settings(max_examples=30, deadline=None, suppress_health_check=NO_CHECKS)
@given(*CASES)
def test_random_laws_stay_within_their_bounds(text: str, arithmetic: str, structure: str, seed: int) -> None:
    check_random_law(text, arithmetic, structure, seed)


@pytest.mark.slow
@pytest.mark.long
@settings(max_examples=1000, deadline=None, suppress_health_check=NO_CHECKS)
@given(*CASES)
def test_many_random_laws_stay_within_their_bounds(
    text: str, arithmetic: str, structure: str, seed: int
) -> None:
    check_random_law(text, arithmetic, structure, seed)
