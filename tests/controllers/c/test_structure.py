"""Jumps back to structure: random laws, and what a few small ones become."""

from pathlib import Path

import pytest

from controllers.c.law_file import law_text as c_text
from controllers.c.vectors import random_calls
from tests.controllers.c.harness import exported, first_difference
from tests.controllers.c.laws import RandomLaw
from tests.controllers.support import compile_text, law_text, make_binding

VARIABLES = "a = var(i16, 0)\nb = var(i16, 0)\nc = var(u8, 0)\nf = var(f32, 0)"
CALLS = 3000


def check_random_law(folder: Path, seed: int) -> None:
    """The machine's bits, from 3000 states; comparing a value with itself is nothing a law would do."""
    declarations, body, helpers = RandomLaw(seed).text()
    law = folder / "try.py"
    law.write_text(law_text(body, declarations, helpers))
    program = exported(folder / "c", law, make_binding("i32"), vectors=1)
    calls = random_calls(program, CALLS, seed)
    assert first_difference(folder / "c", program, calls, "-O1", "-Wno-tautological-compare") == -1


@pytest.mark.parametrize("seed", range(5))
def test_random_law_gives_the_bits_of_the_machine(tmp_path: Path, seed: int) -> None:
    check_random_law(tmp_path, seed)


@pytest.mark.slow
@pytest.mark.long
@pytest.mark.parametrize("seed", range(100, 250))
def test_random_law_gives_the_bits_of_the_machine_at_length(tmp_path: Path, seed: int) -> None:
    check_random_law(tmp_path, seed)


# body of on_start -> the C of it, comments aside
SHOWN = [
    ("if self.a < 3 and self.b == 2 or self.c > 7:\n    self.a = 1",
     "if ((a < 3 && b == 2) || c > 7u) { a = 1; }"),
    ("if not (self.a < 3 and self.b == 2):\n    self.a = 1",
     "if (a >= 3 || b != 2) { a = 1; }"),
    ("if self.a < 3:\n    self.a = 1\nelif self.a < 5:\n    self.a = 2\nelse:\n    self.a = 3",
     "if (a < 3) { a = 1; } else if (a < 5) { a = 2; } else { a = 3; }"),
    ("if self.a < 3:\n    return\nself.a = 1\nself.b = 1",
     "if (a < 3) { return; } a = 1; b = 1;"),
    ("if self.f < 3:\n    self.f = 1", "if (f < 3.0f) { f = 1.0f; }"),
    ("if not self.f < 3:\n    self.f = 1", "if (!(f < 3.0f)) { f = 1.0f; }"),  # NaN
    ("self.c += 1", "c = (uint8_t)(c + 1u);"),
    ("self.a = self.a // 6", "a = (int16_t)(a / 6);"),
    ("self.a = self.a // self.b", "a = div_i16(a, b);"),
    ("self.a = (self.a >> 2) + (self.b >> 2)", "a = (int16_t)((int16_t)(a >> 2) + (int16_t)(b >> 2));"),
    ("self.a = i16(hw.timer() >> 1)", "a = (int16_t)(uint16_t)(hw_timer() >> 1);"),
    ("x = i16(hw.hall())\nself.b = x - i16(hw.hall())",
     "int16_t x = (int16_t)hw_hall(); b = (int16_t)(x - (int16_t)hw_hall());"),
    # both are read in the order of the law, which C leaves open within one expression (6.5 p3)
    ("self.c = hw.hall() - hw.hall()", "uint8_t value = hw_hall(); c = (uint8_t)(value - hw_hall());"),
    ("if self.c > 255:\n    self.c = 1\nself.b = 2", "b = 2;"),  # never
    ("x = self.a\nself.a = self.b\nself.b = x", "int16_t x = a; a = b; b = x;"),
    ("if hw.hall() == 1:\n    pass", "if (hw_hall() == 1u) { }"),
]  # fmt: skip


@pytest.mark.parametrize(("body", "shown"), SHOWN, ids=[shown for _, shown in SHOWN])
def test_law_becomes(tmp_path: Path, body: str, shown: str) -> None:
    text = c_text(compile_text(tmp_path, law_text(body, VARIABLES)), "/* mark */")
    _, _, handler = text.partition("void on_start(void)\n{\n")
    lines = [line.split("/*")[0].strip() for line in handler.rpartition("}")[0].split("\n")]
    assert " ".join(line for line in lines if line) == shown
