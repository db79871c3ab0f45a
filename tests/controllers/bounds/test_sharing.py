"""Torn accesses and lost updates between handlers of different levels."""

from pathlib import Path

import pytest

from controllers.bounds import SharedAccess, torn_accesses
from controllers.catalogue import law_names, law_path
from controllers.lower import compile_law
from controllers.priorities import PRIORITIES, can_interrupt
from tests.controllers.support import compile_text, law_text, make_binding

VARIABLES = (
    "a = var(u16, 0)\nb = var(u8, 0)\nw = var(u32, 0)\nd = var(u16, 0)\nr = array(u8, 4, 0)\nf = var(f64, 0)"
)
LOWER = "def on_control_tick(self) -> None:\n    "
UPPER = "def on_step_timer(self) -> None:\n    "


def found(
    folder: Path, lower: str, upper: str, word_bits: int, structure: str = "nested"
) -> list[SharedAccess]:
    helpers = LOWER + lower.replace("\n", "\n    ") + "\n" + UPPER + upper.replace("\n", "\n    ")
    program = compile_text(folder, law_text("pass", VARIABLES, helpers))
    return list(torn_accesses(program, word_bits, PRIORITIES[structure]))


# what the interrupted handler does, what the interrupting one does, word width, hazards
CASES = [
    ("self.d = self.a", "self.a = 5", 8, ["torn read of a"]),
    ("self.d = self.a", "self.a = 5", 16, []),
    ("self.d = self.a", "self.d = self.a", 8, ["torn write of d"]),
    ("self.d = self.a", "self.b = 5", 8, []),
    ("self.a = 7", "self.d = self.a", 8, ["torn write of a"]),
    ("self.a = 7", "self.a = 5", 8, ["torn write of a"]),
    ("self.w = 7", "self.w = 5", 32, []),
    ("self.f = 7", "self.f = 5", 32, ["torn write of f"]),
    ("self.b = 7", "self.b = 5", 8, []),
    ("self.b += 1", "self.b = 5", 8, ["lost update of b"]),
    ("self.b += 1", "hw.set_step(self.b)", 8, []),
    ("n = self.b\nhw.set_step(3)\nself.b = min(n, 9)", "self.b += 1", 32, ["lost update of b"]),
    ("self.a = u16(self.b)\nself.b = u8(self.a >> 1)", "self.b = 1", 32, ["lost update of b"]),
    ("if self.b > 3:\n    self.b = 0", "self.b += 1", 32, []),
    ("self.w += 1", "self.w = 0", 16, ["torn read of w", "torn write of w", "lost update of w"]),
    ("with hw.masked():\n    self.w += 1", "self.w = 0", 8, []),
    ("with hw.masked():\n    n = self.w\nself.w = n + 1", "self.w = 0", 32, ["lost update of w"]),
    ("with hw.masked():\n    n = self.w\nwith hw.masked():\n    self.w = n + 1", "self.w = 0", 8,
     ["lost update of w"]),
    ("with hw.masked():\n    n = self.a\nself.d = n", "self.a += 1", 8, []),
    ("self.r[self.b] = self.r[u8(0)] + 1", "self.r[u8(2)] = 1", 8, []),
    ("self.r[self.b] = self.r[self.b] + 1", "self.r[u8(2)] = 1", 8, ["lost update of r"]),
]  # fmt: skip


@pytest.mark.parametrize(("lower", "upper", "word_bits", "hazards"), CASES)
def test_hazards(tmp_path: Path, lower: str, upper: str, word_bits: int, hazards: list[str]) -> None:
    assert [
        f"{item.hazard} of {item.variable}" for item in found(tmp_path, lower, upper, word_bits)
    ] == hazards
    for structure in ("polled", "interrupt"):
        assert found(tmp_path, lower, upper, word_bits, structure) == []


def test_both_handlers_are_named_with_their_lines(tmp_path: Path) -> None:
    (item,) = found(tmp_path, "self.d = self.a\nself.d = self.a + 1", "self.b = 0\nself.a = 5", 8)
    (first, second), (last,) = item.lines, item.other_lines
    assert (second - first, last - second) == (1, 3)
    assert item == SharedAccess(
        "a", "u16", "torn read", "on_control_tick", (first, second), (f"line {first}", f"line {second}"),
        "on_step_timer", (last,), (f"line {last}",),
    )  # fmt: skip


def test_levels() -> None:
    nested = PRIORITIES["nested"]
    order = ["main_loop", "on_control_tick", "on_hall_edge", "on_step_timer"]
    for upper in order:
        for lower in order:
            assert can_interrupt(upper, lower, nested) == (order.index(upper) > order.index(lower))
            assert can_interrupt(upper, lower, PRIORITIES["interrupt"]) == (
                lower == "main_loop" and upper != "main_loop"
            )
            assert not can_interrupt(upper, lower, PRIORITIES["polled"])
        assert not can_interrupt(upper, "on_start", nested)
        assert not can_interrupt("on_start", upper, nested)


@pytest.mark.parametrize("law", law_names())
def test_shipped_laws_share_nothing_in_the_structure_they_are_written_for(law: str) -> None:
    program = compile_law(law_path(law), make_binding("i32"))
    assert torn_accesses(program, 8, PRIORITIES["interrupt"]) == ()
