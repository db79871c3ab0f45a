"""What is proved and what is doubted of small laws, and how it is told."""

import json
from pathlib import Path

import pytest

from controllers.bounds import Bounds, Variable, describe, find_bounds, rows
from controllers.bounds.intervals import Real, Whole
from controllers.bounds.variables import narrowest
from controllers.kinds import F32, I16, I32, U8, U16, Kind
from controllers.priorities import PRIORITIES
from targets.errors import InputError
from tests.controllers.support import compile_text, law_text

VARIABLES = """b = var(u8, 0)
c = var(u8, 3)
a = var(u16, 0)
t = var(u16, 0)
s = var(i16, 0)
w = var(i32, 0)
v = var(i32, 0)
x = var(number, 0)
f = var(f32, 0)
g = var(f32, 0)
r = array(u8, 6, 0)
k = table(u16, (10, 20, 30))"""

# t and a any u16, b 0..7, s and w any of their kind, f any number of s, or NaN
ANY = """self.t = u16(hw.timer())
self.a = hw.command_rpm()
self.b = hw.hall()
self.w = wrap(i32, u32(self.a) * 65535)
self.s = wrap(i16, self.w)
self.f = f32(self.s) + 0.0 * (3e38 * f32(self.a))
"""


def analyse(folder: Path, body: str, helpers: str = "", **changes: object) -> Bounds:
    return find_bounds(compile_text(folder, law_text(body, VARIABLES, helpers), **changes))


def doubts(found: Bounds) -> list[tuple[str, str]]:
    return [(verdict.check, verdict.source) for verdict in found.doubts]


# each body has something that could go wrong, and the statement before it that excludes it
PROVED = [
    "if self.a >= self.t:\n    self.a -= self.t",
    "if self.a > self.t:\n    self.a = self.a - self.t - 1",
    "if self.t <= self.a:\n    n = self.a - self.t\n    self.b = self.r[u8(n % 6)]",
    "n = min(self.t, self.a)\nself.a -= n",
    "n = max(self.t, self.a)\nself.a = n - self.a",
    "if self.t != 0:\n    self.a = self.a // self.t",
    "if self.w != 0:\n    self.w = 1000 // self.w",
    "n = self.w\nif n != 0:\n    self.v = 7 // self.w",
    "if self.s != 0 and self.s > -100:\n    self.s = 100 // self.s",
    "if i32(self.a) < 300:\n    self.a += 65000",
    "if u32(self.a) * 3 < 90:\n    self.b = u8(self.a % 200)",
    "if self.a < 6:\n    self.b = self.r[self.a]\n    self.r[self.a] = 3",
    "if self.s > -32768:\n    self.s = abs(self.s)",
    "if self.w > -1000:\n    if self.w < 1000:\n        self.w = self.w * self.w",
    "self.b = u8(min(max(self.w, 0), 255))",
    "n = self.a + 0\nif n < 65535:\n    self.a = self.a + 1",
    "n = self.t >> 3\nself.t -= n",
    "n = self.t // 3\nself.t -= n",
    "hw.set_step(u8(self.t % 7))",
    "hw.set_duty(min(self.a, hw.duty_top))",
    "if self.a <= 1000:\n    hw.set_duty(self.a)",
    "if self.f > 1.0:\n    self.g = 1.0 / self.f",
    "self.f = f32(self.a)\nif self.a != 0:\n    self.g = 1.0 / f32(self.a)",
    "self.f = f32(self.s)\nself.b = u8(min(max(self.f, 0.0), 255.0))",
    "for i in range(3):\n    self.b = u8(i) + self.b",
    "self.b = self.c * 80",
    "self.w = i32(self.a) * 1000 + i32(self.k[self.b & 1])",
]


@pytest.mark.parametrize("body", PROVED)
def test_guarded_operation_is_proved(tmp_path: Path, body: str) -> None:
    found = analyse(tmp_path, ANY + body)
    mine = [verdict for verdict in found.verdicts if verdict.source in body]
    assert mine, "nothing to prove: the test says nothing"
    assert not [describe(verdict) for verdict in mine if not verdict.proved]


# body, the doubts
DOUBTED = [
    ("self.a -= self.t", [("overflow", "self.a -= self.t")]),
    ("if self.a >= self.t:\n    self.a = self.t - self.a", [("overflow", "self.a = self.t - self.a")]),
    ("self.a = self.a // self.t", [("division by zero", "self.a = self.a // self.t")]),
    ("if self.t != 1:\n    self.a %= self.t", [("division by zero", "self.a %= self.t")]),
    ("self.s = abs(self.s)", [("overflow", "self.s = abs(self.s)")]),
    ("self.b = u8(self.a)", [("conversion out of range", "self.b = u8(self.a)")]),
    ("self.b = self.r[self.a]", [("index out of range", "self.b = self.r[self.a]")]),
    ("hw.set_step(u8(self.t % 8))", [("output out of range", "hw.set_step(u8(self.t % 8))")]),
    ("hw.set_duty(self.a)", [("output out of range", "hw.set_duty(self.a)")]),
    # next to 0 a float has numbers whose reciprocal is infinite
    ("self.g = 1.0 / f32(self.s)",
     [("overflow", "self.g = 1.0 / f32(self.s)"), ("division by zero", "self.g = 1.0 / f32(self.s)")]),
    ("self.b = u8(f32(self.s))", [("conversion out of range", "self.b = u8(f32(self.s))")]),
    # read after the change: the guard says nothing of the new value
    ("if self.a >= self.t:\n    self.t += self.a // 2\n    self.a -= self.t",
     [("overflow", "self.t += self.a // 2"), ("overflow", "self.a -= self.t")]),
    # NaN passes where `not f > 255`
    ("if self.f > 255.0:\n    pass\nelse:\n    self.b = u8(max(self.f, 0.0))",
     [("conversion out of range", "self.b = u8(max(self.f, 0.0))")]),
]  # fmt: skip


@pytest.mark.parametrize(("body", "expected"), DOUBTED)
def test_doubt_is_told_with_its_line(tmp_path: Path, body: str, expected: list[tuple[str, str]]) -> None:
    found = analyse(tmp_path, ANY + body)
    assert [doubt for doubt in doubts(found) if doubt[1] not in ANY] == expected


def test_verdict_names_place_operands_and_result(tmp_path: Path) -> None:
    found = analyse(tmp_path, "self.t = u16(hw.timer())\nself.a = 1000 // self.t")
    (verdict,) = found.verdicts
    what = "division by zero POSSIBLE: 1000 / (t 0..65535) = 0..1000"
    assert describe(verdict) == f"line {verdict.line}: {what}  | self.a = 1000 // self.t"
    assert verdict.handlers == ("on_start",)


def test_operand_is_named_by_the_variable_that_holds_its_value(tmp_path: Path) -> None:
    found = analyse(tmp_path, "self.a = hw.command_rpm()\nself.w = 7 // i32(self.a)")
    assert "7 / (a 0..65535) = 0..7" in describe(found.verdicts[0])


def test_line_of_a_helper_has_one_verdict_for_all_its_calls(tmp_path: Path) -> None:
    edge = "def on_hall_edge(self) -> None:\n    self.a = 0\n    self.add()"
    helpers = f"def add(self) -> None:\n    self.a += 1000\n{edge}"
    found = analyse(tmp_path, "self.add()\nself.add()", helpers)
    (verdict,) = found.verdicts
    assert verdict.proved
    assert verdict.handlers == ("on_start", "on_hall_edge")
    assert (verdict.operands[0].low, verdict.operands[0].high) == (0, 1000)


def test_what_no_value_of_the_kind_can_violate_is_no_verdict(tmp_path: Path) -> None:
    body = "self.a = u16(hw.hall())\nself.a = self.a // 3\nhw.set_compare(hw.timer())\nself.a = self.k[u8(2)]"
    assert analyse(tmp_path, body).verdicts == ()


def variable(found: Bounds, name: str) -> Variable:
    return next(v for v in found.variables if v.value.name == name)


def test_variable_has_every_value_it_is_given_and_the_width_that_would_do(tmp_path: Path) -> None:
    body = "n = u32(hw.command_rpm()) * 2\nself.a = u16(n // 1000)\nself.w = -i32(self.a)\nself.x = 0.5"
    body += "\nhw.set_step(self.c)"
    found = analyse(tmp_path, body, arithmetic="q16.16")
    assert variable(found, "n") == Variable("on_start", "u32", variable(found, "n").value, "u32")
    assert variable(found, "n").value.high == 131070
    assert (variable(found, "a").value.high, variable(found, "a").enough) == (131, "u8")
    assert (variable(found, "w").value.low, variable(found, "w").enough) == (-131, "i16")
    assert (variable(found, "x").value.high, variable(found, "x").kind) == (0.5, "q15.16")
    assert variable(found, "c").value.low == variable(found, "c").value.high == 3


@pytest.mark.parametrize(
    ("kind", "fraction_bits", "found", "enough"),
    [
        (I32, 0, Whole(-128, 127), "i8"), (I32, 0, Whole(0, 127), "i8"), (I32, 0, Whole(0, 200), "u8"),
        (U16, 0, Whole(0, 256), "u16"), (U16, 0, Whole(0, 255), "u8"), (I16, 0, Whole(0, 40000), "u16"),
        (I32, 0, Whole(-1, 1 << 40), "i64"), (U8, 0, Whole(0, (1 << 64) - 1), "u64"),
        (I32, 8, Whole(-100, 100), "q7.8"), (I32, 16, Whole(0, 1 << 20), "q15.16"),
        (I32, 7, Whole(-128, 127), "q0.7"), (F32, 0, Real(0, 1), ""),
    ],
)  # fmt: skip
def test_narrowest_kind(kind: Kind, fraction_bits: int, found: Whole, enough: str) -> None:
    assert narrowest(kind, fraction_bits, found) == enough


def test_unreached_lines_are_named(tmp_path: Path) -> None:
    found = analyse(tmp_path, "if hw.hall() > 7:\n    self.a = 1\nelse:\n    self.a = 2")
    text = law_text("if hw.hall() > 7:\n    self.a = 1", VARIABLES)
    line = 1 + next(n for n, words in enumerate(text.splitlines()) if words.strip() == "self.a = 1")
    assert found.unreached == (f"line {line}",)


def test_declared_input_range_decides(tmp_path: Path) -> None:
    program = compile_text(tmp_path, law_text("self.a = hw.command_rpm() * 2", VARIABLES))
    assert find_bounds(program).doubts
    assert not find_bounds(program, inputs={"command_rpm": (0, 32767)}).doubts


@pytest.mark.parametrize(
    ("inputs", "message"),
    [
        (
            {"rpm": (0, 1)},
            "rpm: is an input port, found rpm; use timer, captured, hall, command_rpm, tripped",
        ),
        ({"hall": (0, 8)}, "hall: lies in 0..7, low end first, found 0..8; correct the range"),
        ({"timer": (9, 8)}, "timer: lies in 0..65535, low end first, found 9..8; correct the range"),
    ],
)  # fmt: skip
def test_bad_input_range_is_refused(tmp_path: Path, inputs: dict[str, tuple[int, int]], message: str) -> None:
    program = compile_text(tmp_path, law_text("pass", VARIABLES))
    with pytest.raises(InputError) as caught:
        find_bounds(program, inputs=inputs)
    assert [str(fault) for fault in caught.value.faults] == [f"inputs.{message}"]


def test_rows_are_plain_data_for_json(tmp_path: Path) -> None:
    found = analyse(tmp_path, "self.f = 1.0 / f32(hw.hall())\nself.a = self.a + 1")
    data = json.loads(json.dumps(rows(found.verdicts), allow_nan=False))
    assert data[0]["result"]["high"] is None
    assert data[0]["operands"][1] == {"name": "", "low": 0, "high": 7, "may_be_nan": False}
    assert {"line", "place", "check", "proved", "operation"} <= data[1].keys()
    assert [row["value"]["name"] for row in rows(found.variables)] == ["a", "f"]


UPPER = "def on_step_timer(self) -> None:\n    self.a = u16(hw.timer())\n    self.c = 9\n"
LOWER = "def on_control_tick(self) -> None:\n"


@pytest.mark.parametrize(
    ("body", "is_proved"),
    [
        ("    if self.a < 100:\n        self.b = u8(self.a)", False),
        ("    n = self.a\n    if n < 100:\n        self.b = u8(n)", True),
        ("    with hw.masked():\n        if self.a < 100:\n            self.b = u8(self.a)", True),
        (
            "    with hw.masked():\n        n = self.a\n    if self.a < 100:\n        self.b = u8(self.a)",
            False,
        ),
        ("    self.a = 3\n    self.b = u8(self.a)", False),
        ("    self.c = 250\n    self.c = 1", True),
    ],
)
def test_variable_that_an_interrupt_writes_changes_between_two_readings(
    tmp_path: Path, body: str, is_proved: bool
) -> None:
    program = compile_text(tmp_path, law_text("pass", VARIABLES, UPPER + LOWER + body))
    assert not find_bounds(program, PRIORITIES["interrupt"]).doubts, "no handler interrupts another"
    assert (not find_bounds(program, PRIORITIES["nested"]).doubts) == is_proved


def test_interrupt_sees_what_the_interrupted_handler_has_just_written(tmp_path: Path) -> None:
    helpers = (
        f"{LOWER}    self.c = 250\n    self.c = 1\ndef on_step_timer(self) -> None:\n    self.b = self.c + 6"
    )
    program = compile_text(tmp_path, law_text("pass", VARIABLES, helpers))
    assert not find_bounds(program, PRIORITIES["interrupt"]).doubts
    assert [v.source for v in find_bounds(program, PRIORITIES["nested"]).doubts] == ["self.b = self.c + 6"]
