"""What the linker says: prices of instructions, longest paths, memory."""

import random
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from controllers import ports
from controllers.catalogue import law_names, law_path
from controllers.cost import MAXIMUM, MINIMUM, TYPICAL, link, static_bytes
from controllers.cost_rules import RULES, cost_items, instruction_at
from controllers.graph import successors
from controllers.kinds import MACHINE_KINDS
from controllers.lower import compile_law
from controllers.opcodes import COST_RULES, OPCODES, Opcode, check_table
from controllers.program import HANDLERS, Program
from targets import COST_KEYS, load_target, target_names
from targets.schema import Routine, Target
from tests.controllers.support import Bench, compile_text, law_text, make_binding

VARIABLES = """a = var(u16, 0)
b = var(u8, 0)
w = var(i32, 0)
x = var(number, 0)
f = var(f32, 0)
h = var(q(7, 8), 0)
z = var(q(3, 4), 0)
kp = param(gain, "kp_duty_per_rpm", 1e-4, low=0, high=1, about="gain")"""

# (body, cost keys of the instructions before RET and how often each, arithmetic)
PRICED = (
    ("self.a = self.a + 1", "load16 const16 u16_add store16", "i32"),
    ("n = self.a\nself.a = n + n", "load16 u16_add store16", "i32"),
    ("n = self.b\nm = n\nself.b = m", "load8 move8 store8", "i32"),
    ("self.a = 5", "const16 store16", "i32"),
    ("self.a = self.a << 11", "load16 u16_shift_base 3*u16_shift_per_bit u16_shift_per_byte store16", "i32"),
    ("self.a = self.a // 8", "load16 u16_shift_base 3*u16_shift_per_bit store16", "i32"),
    ("self.a = self.a // 7", "load16 const16 u16_div store16", "i32"),
    ("self.w = i32(self.a)", "load16 i32_convert store32", "i32"),
    ("hw.set_step(2)", "const8 io_write8", "i32"),
    ("hw.set_compare(hw.timer())", "io_read16 io_write16", "i32"),
    ("if self.b < 3:\n    self.a = 1", "load8 const8 u8_branch_lt const16 store16", "i32"),
    ("if self.b == 3:\n    self.a = 1", "load8 const8 u8_branch_eq const16 store16", "i32"),
    ("self.f = self.f * self.f", "2*load32 f32_mul store32", "i32"),
    ("self.f = f32(self.b)", "load8 u32_convert u32_to_f32 store32", "i32"),
    ("self.f = f32(self.w)", "load32 i32_to_f32 store32", "i32"),
    ("self.f = f32(self.h)", "load16 i32_convert i32_to_f32 const32 f32_mul store32", "i32"),
    ("self.b = u8(self.f)", "load32 const32 u32_branch_lt f32_to_i32 u8_convert store8", "i32"),
    (
        "self.h = self.h * self.h",
        "2*load16 i16_mul_wide i32_shift_base i32_shift_per_byte i16_convert store16",
        "i32",
    ),
    (
        "self.h = self.h / self.h",
        "2*load16 i32_convert i32_shift_base i32_shift_per_byte i64_div_i16 i16_convert store16",
        "i32",
    ),
    (
        "self.z = self.z * self.z",
        "2*load8 2*i16_convert i16_mul i16_shift_base 4*i16_shift_per_bit i8_convert store8",
        "i32",
    ),
    (
        "self.x = self.x * self.x",
        "2*load32 i32_mul_wide i64_shift_base 2*i64_shift_per_byte i32_convert store32",
        "q16.16",
    ),
    (
        "self.x = self.x / self.x",
        "2*load32 i64_shift_base 2*i64_shift_per_byte i64_div_i32 i32_convert store32",
        "q16.16",
    ),
    (  # kp = 0.0001 * 1000 counts = 26214 / 2**18
        "self.x = scale(self.x, self.kp)",
        "load32 const16 i32_mul_wide i64_shift_base 2*i64_shift_per_bit 2*i64_shift_per_byte "
        "i32_convert store32",
        "i32",
    ),
    (
        "self.x = scale(self.x, self.kp)",
        "load16 const16 i16_mul_wide i32_shift_base 2*i32_shift_per_bit 2*i32_shift_per_byte "
        "i16_convert store16",
        "i16",
    ),
    ("self.x = scale(self.x, self.kp)", "load32 const32 f32_mul store32", "f32"),
    ("self.x = scale(self.x, self.kp)", "load64 const64 f64_mul store64", "f64"),
)  # fmt: skip


def keys_of(program: Program) -> dict[str, int]:
    counts: dict[str, int] = {}
    for pc in range(len(program.code)):
        for key, count in cost_items(instruction_at(program, pc)):
            counts[key] = counts.get(key, 0) + count
    return {key: count for key, count in counts.items() if count}


def counted(text: str) -> dict[str, int]:
    items = [word.split("*") for word in text.split()]
    return {item[-1]: int(item[0]) if len(item) == 2 else 1 for item in items}


@pytest.mark.parametrize(("body", "keys", "arithmetic"), PRICED)
def test_instruction_is_made_of_these_operations(
    tmp_path: Path, body: str, keys: str, arithmetic: str
) -> None:
    program = compile_text(tmp_path, law_text(body, VARIABLES), arithmetic)
    assert keys_of(program) == counted(keys)


@pytest.mark.parametrize("arithmetic", ["i8", "i16", "i32", "q4.4", "q8.8", "q16.16", "f32", "f64"])
def test_every_operation_of_every_arithmetic_has_a_known_price(tmp_path: Path, arithmetic: str) -> None:
    body = (
        "self.x = (self.x + 1) * self.x / (self.x - 2) + scale(abs(self.x), self.kp)\n"
        "if self.x <= min(self.x, number(self.b)) and self.x != 0:\n    self.b = u8(-self.x)\n"
        "self.f = f32(self.x) - f32(self.h)\nself.h = q(7, 8)(f64(self.x))"
    )
    program = compile_text(tmp_path, law_text(body, VARIABLES), arithmetic, duty_top=100)
    assert set(keys_of(program)) <= set(COST_KEYS)


@pytest.mark.parametrize("target", target_names())
@pytest.mark.parametrize("law", law_names())
@pytest.mark.parametrize("arithmetic", ["i32", "f32", "f64"])
def test_shipped_laws_link_on_every_target(law: str, arithmetic: str, target: str) -> None:
    program = compile_law(law_path(law), make_binding(arithmetic))
    linked = link(program, load_target(target))
    assert linked.cycles.shape == (len(program.code), 3)
    assert (np.diff(linked.cycles, axis=1) >= 0).all()
    assert set(linked.worst_case_cycles) == set(program.handlers)
    assert all(linked.worst_case_cycles[h] >= linked.typical_cycles[h] for h in program.handlers)


def random_block(draw: random.Random, depth: int) -> list[str]:
    """Statements with branches on inputs that the test controls."""
    lines: list[str] = []
    for _ in range(draw.randint(1, 3)):
        choice = draw.random()
        if depth and choice < 0.6:
            test = draw.choice(
                ["hw.hall() == 0", "hw.hall() > 0 and hw.hall() < 2", "hw.hall() == 1 or self.b > 9"]
            )
            lines.append(f"if {test}:")
            lines += [f"    {line}" for line in random_block(draw, depth - 1)]
            if draw.random() < 0.6:
                lines.append("else:")
                lines += [f"    {line}" for line in random_block(draw, depth - 1)]
        elif choice < 0.68:
            lines += ["if self.a > 60000:", "    return"]
        else:
            lines.append(
                draw.choice(
                    ["self.a = self.a // 7", "self.b += 1", "self.w = self.w * 3", "self.a = u16(self.b)"]
                )
            )
    return lines


def longest_by_enumeration(program: Program, cost: Any, pc: int) -> int:
    """Every path, one by one."""
    after = [longest_by_enumeration(program, cost, target) for target in successors(program, pc)]
    return int(cost[pc]) + max(after, default=0)


@pytest.mark.parametrize("seed", range(25))
def test_worst_case_is_the_maximum_over_all_branch_outcomes(tmp_path: Path, seed: int) -> None:
    body = "\n".join(random_block(random.Random(seed), 2))
    program = compile_text(tmp_path, law_text(body, VARIABLES))
    linked = link(program, load_target("m0"))
    for level, found in ((MAXIMUM, linked.worst_case_cycles), (TYPICAL, linked.typical_cycles)):
        assert found == {"on_start": longest_by_enumeration(program, linked.cycles[:, level], 0)}


@pytest.mark.parametrize("seed", range(25))
def test_no_execution_takes_longer_than_the_worst_case(tmp_path: Path, seed: int) -> None:
    body = "\n".join(random_block(random.Random(seed), 2))
    program = compile_text(tmp_path, law_text(body, VARIABLES))
    linked = link(program, load_target("m0"))
    draw = random.Random(seed)
    bench = Bench(
        program, np.ascontiguousarray(linked.cycles[:, MAXIMUM]), {ports.IN_HALL: lambda: draw.randint(0, 1)}
    )
    assert max(bench.call("on_start") for _ in range(50)) <= linked.worst_case_cycles["on_start"]


def test_straight_code_takes_exactly_the_worst_case(tmp_path: Path) -> None:
    program = compile_text(
        tmp_path, law_text("self.w = self.w * 3 + 1\nhw.set_step(1)\nself.a = self.a // 7", VARIABLES)
    )
    linked = link(program, load_target("avr5"))
    for level in (MINIMUM, MAXIMUM):
        bench = Bench(program, np.ascontiguousarray(linked.cycles[:, level]))
        assert bench.call("on_start") == linked.cycles[:, level].sum()


def plain_target(flash_bytes: int = 1000, ram_bytes: int = 100) -> Target:
    """A target where every operation costs 1, 2, 3 cycles and 2 bytes, and both divisions share a routine."""
    cost = SimpleNamespace(cycles_min=1, cycles_typical=2, cycles_max=3, flash_bytes=2, routine=None)
    division = SimpleNamespace(
        cycles_min=10, cycles_typical=20, cycles_max=30, flash_bytes=4, routine="divide"
    )
    costs = {key: division if key.endswith(("_div", "_mod")) else cost for key in COST_KEYS}
    memory = SimpleNamespace(
        flash_bytes=flash_bytes, ram_bytes=ram_bytes, fixed_flash_bytes=100, fixed_ram_bytes=20, word_bits=8,
        fetch_bytes=1, reads_ahead=False,
    )  # fmt: skip
    return cast(
        Target,
        SimpleNamespace(
            name="plain",
            costs=costs,
            routines={"divide": Routine(bytes=50, stack_bytes=0)},
            memory=memory,
            frame=load_target("ideal").frame,  # nothing
            compiler=None,
            wait_states=0,
        ),
    )


def test_flash_counts_each_routine_once(tmp_path: Path) -> None:
    once = compile_text(tmp_path, law_text("self.a = self.a // 7", VARIABLES))
    twice = compile_text(tmp_path, law_text("self.a = self.a // 7 % 5", VARIABLES))
    # load, const and store 2 bytes each, division 4 and its routine 50, fixed part 100
    assert link(once, plain_target()).flash_bytes == 100 + 3 * 2 + 4 + 50
    assert link(twice, plain_target()).flash_bytes == 100 + 4 * 2 + 2 * 4 + 50


def test_ram_counts_statics_and_the_widest_handler(tmp_path: Path) -> None:
    handler = "def on_hall_edge(self) -> None:\n    n = self.w\n    m = self.b\n    self.w = n + i32(m)"
    program = compile_text(
        tmp_path, law_text("n = self.b\nself.b = n", "b = var(u8, 0)\nw = var(i32, 0)", handler)
    )
    assert static_bytes(program) == 5
    # on_hall_edge: n 4, m 1, the converted m 4 bytes; on_start: 1
    assert link(program, plain_target()).ram_bytes == 20 + 5 + 9


@pytest.mark.parametrize(
    ("flash_bytes", "ram_bytes", "fits", "reason"),
    [
        (1000, 100, True, "uses 160 of 1,000 bytes of flash and 22 of 100 bytes of RAM"),
        (150, 100, False, "needs 160 bytes of flash, plain has 150"),
        (160, 22, True, "uses 160 of 160 bytes of flash and 22 of 22 bytes of RAM"),
        (150, 20, False, "needs 160 bytes of flash, plain has 150; needs 22 bytes of RAM, plain has 20"),
    ],
)
def test_reason_says_what_does_not_fit(
    tmp_path: Path, flash_bytes: int, ram_bytes: int, fits: bool, reason: str
) -> None:
    program = compile_text(tmp_path, law_text("self.a = self.a // 7", VARIABLES))
    linked = link(program, plain_target(flash_bytes, ram_bytes))
    assert (linked.fits, linked.room.reason) == (fits, reason)


def test_every_cost_rule_has_a_function_and_an_opcode() -> None:
    assert set(RULES) == set(COST_RULES) == {opcode.cost_rule for opcode in OPCODES}


GOOD_ROW = Opcode(0, "RET", ("-", "-", "-", "-"), "return", "", "end")


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (Opcode(1, "X", GOOD_ROW.shape, "return", "", "x"), "number 1 at position 0"),
        (Opcode(0, "X", ("-", "-", "-", "thing"), "return", "", "x"), "unknown operand role"),
        (Opcode(0, "X", GOOD_ROW.shape, "guess", "", "x"), "unknown cost rule 'guess'"),
        (Opcode(0, "X", GOOD_ROW.shape, "return", "", ""), "no semantics"),
    ],
)
def test_bad_opcode_row_is_refused(row: Opcode, message: str) -> None:
    with pytest.raises(AssertionError, match=message):
        check_table((row,))


def test_doubled_opcode_name_is_refused() -> None:
    second = Opcode(1, "RET", GOOD_ROW.shape, "return", "", "end")
    with pytest.raises(AssertionError, match="same name"):
        check_table((GOOD_ROW, second))


def test_opcodes_read_and_write_what_their_shape_says() -> None:
    arity = {opcode.name: (opcode.arity, opcode.writes, opcode.jumps, opcode.stops) for opcode in OPCODES}
    assert arity["ADD"] == (2, True, False, False)
    assert arity["NEG"] == (1, True, False, False)
    assert arity["JUMP_LT"] == (2, False, True, False)
    assert arity["IN"] == (0, True, False, True)
    assert arity["OUT"] == (1, False, False, True)
    assert arity["RET"] == (0, False, False, True)


def test_handlers_and_kinds_have_fixed_numbers() -> None:
    """The simulation kernel relies on them."""
    assert HANDLERS == ("on_start", "on_hall_edge", "on_step_timer", "on_control_tick", "main_loop")
    names = ("u8", "i8", "u16", "i16", "u32", "i32", "f32", "f64", "u64", "i64")
    assert tuple(kind.name for kind in MACHINE_KINDS) == names
