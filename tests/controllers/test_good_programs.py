"""Good programs: what they leave in their static variables, and which faults they count where."""

from pathlib import Path

import pytest

from controllers import ports
from controllers.faults import FAULT_NAMES
from controllers.kinds import I64, INTEGER_KINDS, KIND_BY_NAME, WIDE_KINDS, Kind
from controllers.lower.constants import OutOfRangeError, fold, fold_wrap
from controllers.opcodes import OPCODES
from tests.controllers.support import (
    FLOAT_KINDS,
    Bench,
    compile_text,
    law_text,
    operand_pairs,
    operation_rows,
    run_operation,
)

VARIABLES = """a = var(u16, 0)
b = var(u8, 7)
s = var(i16, -9)
w = var(i32, -100000)
x = var(number, 0)
y = var(number, 12)
f = var(f32, 0.0)
d = var(f64, 0.0)
t = var(ticks, 65000)
fx = var(q(7, 8), -1.5)
LIMIT = const(u8, 3)
trim = param(ticks, "trim_s", 4e-6, low=0, high=1, about="trim")"""

# (body, {static: stored value}) in i32, a 16-bit timer of 2 MHz; hall 1, timer 65500, command 1200 rpm
GOOD = (
    ("self.a = 3", {"a": 3}),
    ("self.a = u16(self.b) * 300", {"a": 2100}),
    ("self.b += 250", {"b": 1}),
    ("self.s = self.s // 2", {"s": -4}),
    ("self.s = self.s // 4", {"s": -2}),
    ("self.s = self.s // 5", {"s": -1}),
    ("self.s = self.s % 5", {"s": -4}),
    ("self.s = self.s >> 1", {"s": -5}),
    ("self.s = -self.s", {"s": 9}),
    ("self.s = abs(self.s)", {"s": 9}),
    ("self.s = abs(self.s - 5)", {"s": 14}),
    ("self.b = self.b // 2 * 2 % 4", {"b": 2}),
    ("self.b = (self.b & 5) | 8 ^ 1", {"b": 13}),
    ("self.b = self.b << 2", {"b": 28}),
    ("self.a = u16(self.w)", {"a": 31072}),
    ("self.w = i32(self.s) * 1000", {"w": -9000}),
    ("self.x = self.y / 5", {"x": 2}),
    ("self.x = number(self.s) / 2", {"x": -4}),
    ("self.f = f32(self.s) / 2", {"f": -4.5}),
    ("self.d = f64(self.s) / 4", {"d": -2.25}),
    ("self.s = i16(f32(self.s) / 2)", {"s": -4}),
    ("self.f = f32(self.fx)", {"f": -1.5}),
    ("self.fx = self.fx * self.fx", {"fx": 576}),
    ("self.fx = self.fx / 2", {"fx": -192}),
    ("self.fx = self.fx / self.fx", {"fx": 256}),
    ("self.fx = self.fx * 0.5 + 0.25", {"fx": -128}),
    ("self.s = i16(self.fx)", {"s": -2}),
    ("self.fx = q(7, 8)(self.s)", {"fx": -2304}),
    ("self.t = wrap_add(self.t, 1000)", {"t": 464}),
    ("self.t = wrap_sub(3, self.t)", {"t": 539}),
    ("self.t = self.trim", {"t": 8}),
    ("self.t = hw.timer_top >> 3", {"t": 8191}),
    ("self.w = i32(hw.rpm_ticks)", {"w": 60_000_000}),
    ("self.a = hw.duty_top", {"a": 1000}),
    ("self.t = wrap_add(hw.timer(), 100)", {"t": 64}),
    ("self.a = hw.command_rpm()", {"a": 1200}),
    ("self.b = min(self.b, 3)", {"b": 3}),
    ("self.b = min(3, self.b)", {"b": 3}),
    ("self.b = max(self.b, self.LIMIT)", {"b": 7}),
    ("self.b = min(9, self.b)", {"b": 7}),  # the target is the second operand, and wins
    ("self.b = max(3, self.b)", {"b": 7}),
    ("self.b = max(9, self.b)", {"b": 9}),
    ("self.s = min(max(self.s, -4), 4)", {"s": -4}),
    ("self.x = max(self.y - 20, min(self.y, 5))", {"x": 5}),
    ("self.b = min(self.LIMIT, 9)", {"b": 3}),
    ("n = self.b\nself.b = 0\nself.a = u16(n)", {"a": 7, "b": 0}),
    ("n = self.b + 1\nn = n * 2\nself.b = n", {"b": 16}),
    ("n = u8(5)\nif self.b > 6:\n    n = self.b\nself.b = n * 2", {"b": 14}),
    ("if self.b == 7:\n    n = u8(1)\nelse:\n    n = u8(2)\nself.b = n", {"b": 1}),
    ("if self.b != 7:\n    self.a = 1\nelif self.s < 0:\n    self.a = 2\nelse:\n    self.a = 3", {"a": 2}),
    ("if self.b > 3 and self.s > 0:\n    self.a = 1", {"a": 0}),
    ("if self.b > 3 and self.s < 0:\n    self.a = 1", {"a": 1}),
    ("if self.b < 3 or self.s < 0:\n    self.a = 1", {"a": 1}),
    ("if self.b < 3 or self.s > 0:\n    self.a = 1", {"a": 0}),
    ("if not (self.b < 3 or self.s > 0):\n    self.a = 1", {"a": 1}),
    ("if not (self.b >= 7 and self.s <= -9):\n    self.a = 1", {"a": 0}),
    ("if not self.b == 7 or (self.s == -9 and not self.b != 7):\n    self.a = 1", {"a": 1}),
    ("if self.LIMIT == 3:\n    self.a = 1\nelse:\n    self.a = 2", {"a": 1}),
    ("self.a = 5\nif 1 > 2:\n    self.a = 1", {"a": 5}),
    ("if hw.hall() == 1:\n    self.a = 5\n    return\nself.a = 6", {"a": 5}),
    ("for i in range(4):\n    self.a = self.a * 2 + i", {"a": 11}),
    ("for i in range(self.LIMIT):\n    self.a += 1", {"a": 3}),
    ("for i in range(2, 5):\n    for k in range(2):\n        self.a += i * k", {"a": 9}),
    ("for i in range(5):\n    if self.a == 3:\n        return\n    self.a += 1", {"a": 3}),
    ("self.a = 5\nfor i in range(0):\n    self.a = 9", {"a": 5}),
    ("pass", {}),
    ("self.a = 2 * 3 + 7 // 2 - (1 << 3) + 0x10", {"a": 17}),
    ("self.s = -7 // 2", {"s": -3}),
    ("self.s = -7 % 2", {"s": -1}),
    ("'a text alone is a comment'\nself.a = 1", {"a": 1}),
)  # fmt: skip


MORE_VARIABLES = """v = array(u16, 4, 5)
n = array(number, 3, 1)
fl = array(f32, 3, 0.5)
T = table(u8, (3, 1, 4, 1, 5))
REAL = table(number, (2, 4, 8))
i = var(u8, 2)
k = var(u16, 9)
a = var(u16, 0)
b = var(u8, 200)
s = var(i16, -300)
c = var(i8, -100)
w = var(i32, -2000000000)
r = var(u32, 4000000000)
x = var(number, 6)
f = var(f32, 0.0)
d = var(f64, 1e10)
fx = var(q(7, 8), 100)
h = var(q(0, 7), -1)
big = var(u64, 18446744073709551615)
neg = var(i64, -9223372036854775808)
low = var(i64, 0)"""
HELPERS = """def twice(self, x: u16) -> u16:
    return x * 2
def fix(self, x: u16) -> u16:
    self.a = 7
    return x
def clip(self, x: i16, most: i16) -> i16:
    if x > most:
        return most
    elif x < -most:
        return -most
    return x
def mean(self, x: number, y: number) -> number:
    return (x + y) / 2
def put(self, at: u8, value: u16) -> None:
    if at >= len(self.v):
        return
    self.v[at] = value
def sum(self) -> u16:
    total = u16(0)
    for j in range(len(self.v)):
        total += self.v[j]
    return total
def big_of(self, x: u32) -> u64:
    return mul_wide(x, x)"""

# (body, {static or element: stored value, "faults": how many are counted, 0 where not said})
MORE = (
    ("self.a = self.v[0] + self.v[3]", {"a": 10}),
    ("self.v[1] = 9", {"v[0]": 5, "v[1]": 9, "v[2]": 5}),
    ("self.v[self.i] = 9\nself.a = self.v[self.i] + self.v[1]", {"v[2]": 9, "a": 14}),
    ("self.v[self.i] += 3\nself.v[self.i - 1] -= 5", {"v[2]": 8, "v[1]": 0}),
    ("self.v[self.k] = 77", {"v[3]": 77, "v[2]": 5, "faults": 1}),
    ("self.a = self.v[self.k] + 1", {"a": 6, "faults": 1}),
    ("self.b = self.T[self.i]", {"b": 4}),
    ("self.b = self.T[self.k]", {"b": 5, "faults": 1}),
    ("self.b = self.T[4] + self.T[0]", {"b": 8}),
    ("for j in range(len(self.T)):\n    self.a += u16(self.T[j])", {"a": 14}),
    ("self.b = len(self.T) * 10 + len(self.v)", {"b": 54}),
    ("self.fl[self.i] = self.fl[0] * 3\nself.f = self.fl[self.i] + self.fl[1]", {"fl[2]": 1.5, "f": 2.0}),
    ("self.fl[self.k] = 4.0", {"fl[2]": 4.0, "faults": 1}),
    ("self.v[self.twice(1)] = self.twice(4)", {"v[2]": 8}),
    ("self.v[0] = 1\nself.v[self.v[0]] = 2", {"v[1]": 2}),
    ("self.a = self.twice(21)", {"a": 42}),
    ("self.a = self.twice(self.twice(self.k)) + self.twice(1)", {"a": 38}),
    ("self.a = self.k + self.fix(3)", {"a": 12}),
    ("self.a = 1\nself.a = self.a * 10 + self.fix(3)", {"a": 13}),  # the left operand is read first
    ("self.s = self.clip(self.s, 255)", {"s": -255}),
    ("self.s = self.clip(200, 255) + self.clip(400, 255)", {"s": 455}),
    ("if self.clip(self.s, 9) == -9 and self.twice(2) > 3:\n    self.a = 1", {"a": 1}),
    ("self.put(1, 8)\nat = u8(4)\nself.put(at, 8)\nself.a = self.sum()", {"a": 23, "v[1]": 8}),
    ("x = self.twice(3)\nself.a = self.twice(x) + x", {"a": 18}),
    ("for j in range(3):\n    self.a = self.twice(self.a) + j", {"a": 4}),
    ("with hw.masked():\n    self.a = self.twice(4)\nself.b = 1", {"a": 8, "b": 1}),
    ("self.sum()\nself.a = 5", {"a": 5}),
    ("self.b = sat_add(self.b, 100)", {"b": 255}),
    ("self.b = sat_sub(self.b, 201)", {"b": 0}),
    ("self.b = sat_mul(self.b, 2)", {"b": 255}),
    ("self.c = sat_sub(self.c, 29)", {"c": -128}),
    ("self.c = sat_add(self.c, 28)", {"c": -72}),
    ("self.s = sat_mul(self.s, 300)", {"s": -32768}),
    ("self.w = sat_add(self.w, self.w)", {"w": -2147483648}),
    ("self.r = sat_mul(self.r, self.r)", {"r": 4294967295}),
    ("self.fx = sat_mul(self.fx, self.fx)", {"fx": 32767}),
    ("self.fx = sat_mul(self.fx, -0.5)", {"fx": -12800}),
    ("self.h = sat_mul(self.h, self.h)", {"h": 127}),  # -1 * -1 has no q0.7
    ("self.f = sat_add(self.f, 1.5)", {"f": 1.5}),
    ("self.b = sat(u8, self.s)", {"b": 0}),
    ("self.c = sat(i8, self.r)", {"c": 127}),
    ("self.c = sat(i8, self.d)", {"c": 127}),
    ("self.h = sat(q(0, 7), self.fx)", {"h": 127}),
    ("self.fx = sat(q(7, 8), self.w)", {"fx": -32768}),
    ("self.w = sat(i32, self.big)", {"w": 2147483647}),
    ("self.low = sat(i64, self.big)", {"low": 9223372036854775807}),
    ("self.big = sat(u64, self.neg)", {"big": 0}),
    ("self.b = sat(u8, 7)", {"b": 7}),
    ("self.b = sat(u8, u16(300))", {"b": 255}),
    ("self.b = wrap(u8, self.s)", {"b": 212}),
    ("self.s = wrap(i16, self.w)", {"s": 27648}),
    ("self.c = wrap(i8, u16(200))", {"c": -56}),
    ("self.big = wrap(u64, self.neg)", {"big": -9223372036854775808}),  # stored as the bit pattern
    ("self.r = wrap(u32, self.big)", {"r": 4294967295}),
    ("self.w = wrap(i32, self.w) + 1", {"w": -1999999999}),
    ("self.big = mul_wide(self.r, self.r)", {"big": 16 * 10**18 - 2**64}),
    ("self.low = mul_wide(self.w, self.w)", {"low": 4 * 10**18}),
    ("self.a = mul_wide(self.b, 200)", {"a": 40000}),
    ("self.s = mul_wide(self.c, self.c)", {"s": 10000}),
    ("self.r = u32(mul_wide(self.r, 1000000) // 4000000)", {"r": 10**9}),
    ("self.big = self.big_of(self.r) % 7", {"big": 16 * 10**18 % 7}),
    ("self.big = self.big + 1", {"big": 0, "faults": 1}),
    ("self.big = self.big - 1\nself.big = -self.big", {"big": 2, "faults": 1}),
    ("self.neg = self.neg // -1", {"neg": -(2**63), "faults": 1}),
    ("self.neg = self.neg // 3 % 1000", {"neg": -602}),
    ("self.neg = self.neg * 2", {"neg": 0, "faults": 1}),
    ("self.big = self.big >> 60\nself.neg = self.neg >> 60", {"big": 15, "neg": -8}),
    ("self.big = self.big // 16", {"big": 2**60 - 1}),
    ("self.neg = self.neg // 16", {"neg": -(2**59)}),
    ("self.low = abs(self.neg + 1)", {"low": 2**63 - 1}),
    ("self.low = min(self.neg, 3)\nself.a = u16(max(self.low, 8))", {"low": -(2**63), "a": 8}),
    ("self.big = min(self.big, 3)", {"big": 3}),
    ("if self.big > 9223372036854775807:\n    self.a = 1", {"a": 1}),
    ("if not self.big >= 18446744073709551615:\n    self.a = 1\nif self.big != 0:\n    self.b = 1",
     {"a": 0, "b": 1}),
    ("if self.neg <= -9223372036854775808 and self.neg < 0:\n    self.a = 1", {"a": 1}),
    ("self.low = i64(self.big)", {"low": -1, "faults": 1}),
    ("self.low = i64(self.r) * -1", {"low": -4000000000}),
    ("self.r = u32(self.neg)", {"r": 0, "faults": 1}),
)  # fmt: skip


def used_helpers(body: str) -> str:
    """Those of HELPERS that the body calls: an idle one is refused."""
    methods = ["def " + text for text in HELPERS.split("def ") if text]
    return "".join(text for text in methods if f"self.{text[4 : text.index('(')]}(" in body)


@pytest.mark.parametrize(("body", "expected"), MORE)
def test_good_program_with_rows_and_wide_numbers(
    tmp_path: Path, body: str, expected: dict[str, float]
) -> None:
    bench = bench_of(tmp_path, law_text(body, MORE_VARIABLES, used_helpers(body)))
    bench.call("on_start")
    found = {name: bench.value(name) for name in expected if name != "faults"}
    assert found | {"faults": int(bench.faults.sum())} == {"faults": 0} | expected


# (8 + 1) / 2 + (6 + 4): integers drop the half
@pytest.mark.parametrize(
    ("arithmetic", "stored"),
    [("i8", 14), ("i16", 14), ("i32", 14), ("q8.8", 3712), ("q16.16", 14.5 * 65536),
     ("f32", 14.5), ("f64", 14.5)],
)  # fmt: skip
def test_rows_helpers_and_saturation_run_in_every_arithmetic(
    tmp_path: Path, arithmetic: str, stored: float
) -> None:
    body = "self.n[self.i] = self.mean(self.REAL[self.i], self.n[0])\n"
    body += "self.x = sat_add(self.n[self.i], sat_add(self.x, self.REAL[1]))"
    bench = bench_of(tmp_path, law_text(body, MORE_VARIABLES, used_helpers(body)), arithmetic)
    bench.call("on_start")
    assert bench.value("x") == stored
    assert not bench.faults.any()


def bench_of(folder: Path, text: str, arithmetic: str = "i32") -> Bench:
    program = compile_text(folder, text, arithmetic)
    inputs = {ports.IN_HALL: 1, ports.IN_TIMER: 65500, ports.IN_COMMAND_RPM: 1200}
    return Bench(program, inputs=inputs)


@pytest.mark.parametrize(("body", "expected"), GOOD)
def test_good_program_leaves_these_values(tmp_path: Path, body: str, expected: dict[str, float]) -> None:
    bench = bench_of(tmp_path, law_text(body, VARIABLES))
    bench.call("on_start")
    assert {name: bench.value(name) for name in expected} == expected


# the same law text in each arithmetic: (arithmetic, 7/2 - 3*y with y = 12 in real numbers, as held)
@pytest.mark.parametrize(
    ("arithmetic", "stored", "scale"),
    [
        ("i16", -33, 1),
        ("i32", -33, 1),
        ("q8.8", round(-32.5 * 256), 256),
        ("q16.16", round(-32.5 * 65536), 65536),
        ("f32", -32.5, 1),
        ("f64", -32.5, 1),
    ],
)
def test_one_law_runs_in_every_arithmetic(tmp_path: Path, arithmetic: str, stored: float, scale: int) -> None:
    bench = bench_of(tmp_path, law_text("self.x = number(7) / 2 - self.y * 3", VARIABLES), arithmetic)
    bench.call("on_start")
    assert bench.value("x") == stored
    assert stored / scale == pytest.approx(-32.5, abs=0.5)  # 0.5: integers drop the half


def test_helper_is_inlined_and_its_return_ends_only_the_helper(tmp_path: Path) -> None:
    helper = "def clip(self) -> None:\n    if self.b < 5:\n        return\n    self.b = 5"
    bench = bench_of(tmp_path, law_text("self.clip()\nself.a = u16(self.b)\nself.clip()", VARIABLES, helper))
    bench.call("on_start")
    assert (bench.value("a"), bench.value("b")) == (5, 5)


def test_locals_of_a_helper_are_its_own(tmp_path: Path) -> None:
    helper = "def other(self) -> None:\n    n = self.s\n    self.s = n - 1"
    bench = bench_of(tmp_path, law_text("n = self.b\nself.other()\nself.b = n + 1", VARIABLES, helper))
    bench.call("on_start")
    assert (bench.value("b"), bench.value("s")) == (8, -10)


def test_handlers_share_no_temporaries(tmp_path: Path) -> None:
    """A handler that interrupts another must not change its registers."""
    handler = "def on_hall_edge(self) -> None:\n    self.w = self.w * 3 + i32(self.s)"
    program = compile_text(tmp_path, law_text("self.w = self.w * 5 - i32(self.s)", VARIABLES, handler))
    middle = program.handlers["on_hall_edge"]
    is_temporary = {slot for slot, kind in enumerate(program.slot_class) if kind == 2}
    first, second = (
        {int(row[2]) for row in part} & is_temporary
        for part in (program.code[:middle], program.code[middle:])
    )
    assert first
    assert second
    assert not first & second


def test_ports_are_read_and_written_in_order(tmp_path: Path) -> None:
    body = (
        "hw.set_step(2)\nself.t = hw.captured()\nhw.set_compare(wrap_add(self.t, 10))\n"
        "hw.set_duty(hw.duty_top)\nhw.set_step(hw.STEP_OFF)"
    )
    bench = bench_of(tmp_path, law_text(body, VARIABLES))
    bench.inputs[ports.IN_CAPTURED] = 65530
    bench.call("on_start")
    assert bench.log == [("set_step", 2), ("set_compare", 4), ("set_duty", 1000), ("set_step", 6)]


# (body, {line offset in the body: (overflow, division by zero, conversion)})
FAULTY = (
    ("self.b = self.b + 249\nself.a = 1", {0: (1, 0, 0, 0)}),
    ("self.a = 1\nself.b = self.b - 8", {1: (1, 0, 0, 0)}),
    ("self.s = self.s * 4000", {0: (1, 0, 0, 0)}),
    ("self.a = u16(self.b) // self.a", {0: (0, 1, 0, 0)}),
    ("self.x = self.y / self.x", {0: (0, 1, 0, 0)}),
    ("self.f = self.f / self.f", {0: (0, 1, 0, 0)}),
    ("self.a = u16(self.s)", {0: (0, 0, 1, 0)}),
    ("self.b = u8(self.w)", {0: (0, 0, 1, 0)}),
    ("self.b = u8(f32(self.w))", {0: (0, 0, 1, 0)}),
    ("self.fx = q(7, 8)(self.w)", {0: (0, 0, 1, 0)}),
    ("self.t = wrap_add(self.t, 1000)\nself.t = self.t + 65535", {1: (1, 0, 0, 0)}),
    ("for i in range(3):\n    self.b = self.b - 100", {1: (2, 0, 0, 0)}),
)  # fmt: skip


@pytest.mark.parametrize(("body", "expected"), FAULTY)
def test_faults_are_counted_at_their_source_line(
    tmp_path: Path, body: str, expected: dict[int, tuple[int, ...]]
) -> None:
    text = law_text(body, VARIABLES)
    first_line = 1 + text.splitlines().index("    def on_start(self) -> None:") + 1
    bench = bench_of(tmp_path, text)
    bench.call("on_start")
    assert bench.faults_by_line() == {first_line + offset: counts for offset, counts in expected.items()}


SIGNS = {"+": "ADD", "-": "SUB", "*": "MUL", "/": "DIV", "%": "MOD", "&": "AND", "|": "OR", "^": "XOR"}
NUMBERS = {opcode.name: opcode.number for opcode in OPCODES}


@pytest.mark.parametrize("sign", SIGNS)
@pytest.mark.parametrize("kind", INTEGER_KINDS, ids=lambda kind: kind.name)
def test_constant_folding_agrees_with_the_machine(kind: Kind, sign: str) -> None:
    """Where the machine counts no fault the folded value is the same; else folding refuses."""
    pairs = operand_pairs(kind, count=300)
    results, _, faults = run_operation(operation_rows(NUMBERS[SIGNS[sign]], kind), pairs)
    for (a, b), result, fault in zip(pairs, results, faults, strict=True):
        if fault.any():
            with pytest.raises(OutOfRangeError):
                fold(sign, int(a), int(b), kind)
        else:
            assert fold(sign, int(a), int(b), kind) == result


@pytest.mark.parametrize("sign", ["+", "-", "*", "/", "%"])
@pytest.mark.parametrize("kind", WIDE_KINDS, ids=lambda kind: kind.name)
def test_constant_folding_agrees_with_the_machine_in_64_bits(kind: Kind, sign: str) -> None:
    pairs = operand_pairs(kind, count=300)
    results, _, faults = run_operation(operation_rows(NUMBERS[f"WIDE_{SIGNS[sign]}"], kind), pairs)
    for (a, b), result, fault in zip(pairs, results, faults, strict=True):
        if fault.any():
            with pytest.raises(OutOfRangeError):
                fold(sign, int(a), int(b), kind)
        else:
            assert fold_wrap("+", int(fold(sign, int(a), int(b), kind)), 0, I64) == result


@pytest.mark.parametrize("sign", ["+", "-", "*", "/"])
@pytest.mark.parametrize("kind", FLOAT_KINDS, ids=lambda kind: kind.name)
def test_float_folding_agrees_with_the_machine(kind: Kind, sign: str) -> None:
    pairs = operand_pairs(KIND_BY_NAME["i16"], count=300) / 64
    pairs = pairs[pairs[:, 1] != 0]
    _, results, _ = run_operation(operation_rows(NUMBERS[f"F_{SIGNS[sign]}"], kind), pairs)
    folded = [fold(sign, float(a), float(b), kind) for a, b in pairs]
    assert folded == list(results)


@pytest.mark.parametrize("divisor", [1, 2, 4, 256, 16384])
@pytest.mark.parametrize("start", [-32768, -32767, -257, -256, -3, -1, 0, 1, 255, 256, 32767])
def test_division_by_a_power_of_two_is_still_a_division(tmp_path: Path, divisor: int, start: int) -> None:
    text = law_text(f"self.s = self.s // {divisor}", f"s = var(i16, {start})")
    bench = bench_of(tmp_path, text)
    bench.call("on_start")
    assert bench.value("s") == int(start / divisor)
    assert not bench.faults.any()
    assert "DIV" not in [OPCODES[row[0]].name for row in bench.program.code]


def test_unreachable_code_is_left_out(tmp_path: Path) -> None:
    short = compile_text(tmp_path, law_text("self.a = 1", VARIABLES))
    long = compile_text(
        tmp_path, law_text("self.a = 1\nreturn\nself.a = 2\nif 2 > 3:\n    self.a = 4", VARIABLES)
    )
    assert long.code.tolist() == short.code.tolist()


def test_program_arrays_have_the_promised_form(tmp_path: Path) -> None:
    program = compile_text(tmp_path, law_text("self.a = u16(self.b)", VARIABLES))
    assert (program.code.dtype, program.code.ndim, program.code.flags.c_contiguous) == ("int32", 2, True)
    assert (program.ints.dtype, program.floats.dtype, program.slot_kinds.dtype) == (
        "int64",
        "float64",
        "int8",
    )
    assert len(program.lines) == len(program.code)
    assert len(program.ints) == len(program.floats) == len(program.slot_kinds) == len(program.slot_class)
    assert list(program.entries) == [0, -1, -1, -1, -1]
    assert program.new_faults().shape == (len(program.code), len(FAULT_NAMES))


def test_compiling_twice_gives_the_same_program(tmp_path: Path) -> None:
    text = law_text("self.w = self.w * 5 - i32(self.s)", VARIABLES)
    first, second = (compile_text(tmp_path, text) for _ in range(2))
    assert first.code.tolist() == second.code.tolist()
    assert first.ints.tolist() == second.ints.tolist()
