"""What the estimate takes away: values in registers, dropped stores, renamed copies, short constants."""

from pathlib import Path

import pytest

from controllers.cost import TYPICAL, flash_parts, link
from controllers.cost_rules import cost_items
from controllers.narrowing import narrowed
from controllers.program import Program
from controllers.settle import settle
from targets import load_target, target_names
from tests.controllers.support import compile_text, law_text
from tests.controllers.test_cost import VARIABLES, counted


def keys_on(program: Program, target: str) -> dict[str, int]:
    counts: dict[str, int] = {}
    for row in settle(program, load_target(target)):
        for key, count in cost_items(row.instruction) if row.instruction is not None else ():
            counts[key] = counts.get(key, 0) + count
    return {key: count for key, count in counts.items() if count}


# (what is shown, body, target, cost keys that are left)
LEFT = (
    (
        "a value is loaded once",
        "self.a = self.w_ticks + self.w_ticks\nself.w = i32(self.w_ticks)",
        "avr5",
        "load16 u16_add i32_convert store16 store32",
    ),
    (
        "a stored value is in a register",
        "self.b = hw.hall()\nhw.set_step(self.b)",
        "avr5",
        "io_read8 store8 io_write8",
    ),
    (
        "a store that is overwritten is dropped",
        "self.b = hw.hall()\nself.b = 5",
        "avr5",
        "io_read8 const8 store8",
    ),
    (
        "not where only one way overwrites it",
        "self.b = hw.hall()\nif hw.hall() == 0:\n    self.b = 5",
        "avr5",
        "2*io_read8 2*store8 u8_branch_eq const8",
    ),
    (
        "each way loads for itself",
        "if hw.hall() == 0:\n    self.a = self.w_ticks + 1\nself.z8 = self.w_ticks",
        "avr5",
        "io_read8 u8_branch_eq 2*load16 u16_add 2*store16",
    ),
    ("a copy that nobody needs is a name", "n = self.b\nm = n\nself.b = m", "avr5", "load8 store8"),
    ("zero is in a register", "self.a = 0", "avr5", "store16"),
    ("where there is such a register", "self.a = 0", "m0", "const8 store16"),
    ("a short constant is part of an addition", "self.a = self.a + 255", "m0", "load16 u16_add store16"),
    ("a long one is not", "self.a = self.a + 256", "m0", "load16 const16 u16_add store16"),
    ("eight bits anywhere are short", "self.w = self.w + 4080", "m4f", "load32 i32_add store32"),
    (
        "the compiler computes with constants",
        "n = hw.timer_top >> 1\nself.a = u16(n) + 1",
        "avr5",
        "const16 store16",
    ),
    (
        "a quotient of small numbers is narrow",
        "self.w = i32(self.a) // 7",
        "avr5",
        "load16 i32_convert const32 u16_div store32",
    ),
    (
        "and a product",
        "self.w = i32(self.a) * i32(self.b)",
        "avr5",
        "load16 load8 2*i32_convert u16_mul_wide store32",
    ),
    (
        "an index within its array is not checked",
        "self.a = self.row[hw.hall() & 3]",
        "m0",
        "io_read8 u8_and const8 load_at16 store16",
    ),
    (
        "any other is",
        "self.a = self.row[self.b]",
        "m0",
        "load8 index_check load_at16 store16",
    ),
    (
        "a store at an index may change every element",
        "n = self.row[1]\nself.row[self.b] = 7\nself.a = n + self.row[1]",
        "avr5",
        "load8 2*load16 const16 index_check store_at16 u16_add store16",
    ),
    ("operands are used where they lie", "self.a = self.a + 1", "acc8", "load16 const16 u16_add store16"),
)  # fmt: skip

MORE = VARIABLES + "\nw_ticks = var(u16, 0)\nz8 = var(u16, 0)\nrow = array(u16, 4, 0)"


@pytest.mark.parametrize(("body", "target", "keys"), [row[1:] for row in LEFT], ids=[row[0] for row in LEFT])
def test_what_is_left_to_do(tmp_path: Path, body: str, target: str, keys: str) -> None:
    assert keys_on(compile_text(tmp_path, law_text(body, MORE)), target) == counted(keys)


def test_an_address_is_found_once(tmp_path: Path) -> None:
    once = compile_text(tmp_path, law_text("self.a = u16(hw.timer())", MORE))
    twice = compile_text(tmp_path, law_text("self.a = u16(hw.timer())\nself.z8 = u16(hw.timer())", MORE))
    m0 = load_target("m0")
    assert m0.compiler is not None
    first = link(once, m0).cycles[:, TYPICAL].sum()
    more = link(twice, m0).cycles[:, TYPICAL].sum() - first
    assert more == first - 2 * m0.compiler.address_cycles  # of the port, and of the static variables


@pytest.mark.parametrize(
    ("divisor", "bits"),
    [(7, 14), (1000, 7)],  # of 9362, 65
)
def test_quotient_is_as_long_as_the_operands_allow(tmp_path: Path, divisor: int, bits: int) -> None:
    program = compile_text(tmp_path, law_text(f"self.w = i32(self.a) // {divisor}", MORE))
    found = [row.quotient_bits for row in narrowed(program) if row.quotient_bits is not None]
    assert found == [bits]


@pytest.mark.parametrize("target", target_names())
def test_parts_of_the_flash_add_up(tmp_path: Path, target: str) -> None:
    program = compile_text(tmp_path, law_text("self.a = self.a // 7\nself.f = self.f * self.f", MORE))
    loaded = load_target(target)
    assert sum(flash_parts(program, loaded).values()) == link(program, loaded).flash_bytes
