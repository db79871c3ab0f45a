"""`controllers.dialect`: the words that editors and mypy see are those of the parser, kinds included."""

import ast
import inspect
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from controllers import dialect
from controllers.parse.declarations import _POSITIONAL
from controllers.parse.expressions import _OTHER_CALLS, FUNCTION_ARITY, KIND_WORDS
from controllers.ports import HW_CONSTANTS, IN_PORTS, OUT_MASK, OUT_PORTS
from targets.errors import InputError
from tests.controllers.support import compile_text, law_text

ROOT = Path(__file__).resolve().parents[2]
VARIABLES = """a = var(u16, 0)
b = var(u8, 0)
s = var(i16, 0)
x = var(number, 0)
f = var(f32, 0)
t = var(ticks, 0)
w = var(i64, 0)
fx = var(q(3, 12), 0)
v = array(u16, 4, 0)
T = table(u8, (1, 2, 3))
kp = param(gain, "kp_duty_per_rpm", 0.0001, low=0, high=1, about="gain")"""
HELPERS = "def twice(self, x: u16) -> u16:\n    return x * 2"
# a literal argument of a helper is written with its kind: that is all mypy can see of it
GOOD = """self.a = self.twice(self.v[self.b]) + mul_wide(self.b, 3)
self.a = self.twice(u16(3))
self.v[len(self.T) - 1] = sat(u16, self.s)
self.x = scale(number(self.a), self.kp) / 2
self.fx = sat_mul(self.fx, self.fx)
self.w = mul_wide(i32(self.s), 5) // 3
self.t = wrap_add(hw.timer(), ticks(self.a))
self.b = max(wrap(u8, self.a), self.T[2])
with hw.masked():
    hw.set_duty(sat_add(self.a, hw.duty_top))"""
# each is refused by the compiler and by mypy --strict
MIXED = (
    "self.a = self.b",
    "self.a = self.a + self.b",
    "self.a = self.twice(self.b)",
    "self.b = self.twice(self.a)",
    "self.v[0] = self.b",
    "self.v[self.s] = 1",
    "self.T[0] = 1",
    "self.b = self.v[0]",
    "self.a = self.a / 2",
    "self.x = self.x // 2",
    "self.x = self.x % 3",
    "self.f = self.f & 1",
    "self.x = self.kp",
    "self.x = scale(self.s, self.kp)",
    "self.x = scale(self.x, self.x)",
    "self.s = sat(i8, self.a)",
    "self.a = sat_add(self.a, self.b)",
    "self.a = mul_wide(self.a, self.a)",
    "self.f = wrap(f32, self.a)",
    "self.f = wrap_add(self.f, self.f)",
    "self.t = self.a",
    "if self.a < self.b:\n    self.a = 1",
    "hw.set_step(self.a)",
    "self.b = hw.timer()",
    "self.a = hw.masked()",
    "hw.fire(1)",
    "self.w = self.a",
    "self.fx = self.x",
)


def test_stubs_have_every_word_of_the_parser_and_no_other() -> None:
    words = {*KIND_WORDS, *FUNCTION_ARITY, *_OTHER_CALLS, *_POSITIONAL, "q", "hw", "Law", "fixed"}
    words -= {"min", "max", "abs", "len"}  # Python's own
    typing_words = {"Word", "Whole", "Any_"}
    own = {
        name
        for name, value in vars(dialect).items()
        if not name.startswith("_") and getattr(value, "__module__", "") in (dialect.__name__, "")
    }
    assert own - typing_words == words


@pytest.mark.parametrize(
    "name", [name for name in (*FUNCTION_ARITY, "sat", "wrap") if hasattr(dialect, name)]
)
def test_stub_of_a_function_takes_as_many_arguments_as_the_parser(name: str) -> None:
    assert len(inspect.signature(getattr(dialect, name)).parameters) == FUNCTION_ARITY.get(name, 2)


def test_stub_of_the_hardware_has_every_port_and_constant() -> None:
    stub = vars(dialect._Hardware)
    for port in IN_PORTS:
        assert _annotation(port.name) == {"return": port.kind}
    for port in OUT_PORTS:
        if port.index != OUT_MASK:
            (taken,) = (kind for name, kind in _annotation(port.name).items() if name != "return")
            assert taken == f"{port.kind} | int"
    constants = {name: kind.__name__ for name, kind in dialect._Hardware.__annotations__.items()}
    assert constants == HW_CONSTANTS
    methods = {name for name in stub if not name.startswith("_")}
    assert methods == {port.name for port in (*IN_PORTS, *OUT_PORTS)}


def _annotation(method: str) -> dict[str, str]:
    """Annotations of a method as written, without None."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(getattr(dialect._Hardware, method))))
    function = tree.body[0]
    assert isinstance(function, ast.FunctionDef)
    given = {a.arg: ast.unparse(a.annotation) for a in function.args.args if a.annotation is not None}
    result = ast.unparse(function.returns) if function.returns is not None else "None"
    return given if result == "None" else given | {"return": result}


def check_types(folder: Path, bodies: dict[str, str]) -> dict[str, list[str]]:
    """mypy --strict over one law file per body: file -> its errors."""
    for name, body in bodies.items():
        helpers = HELPERS if "self.twice(" in body else ""
        (folder / f"{name}.py").write_text(law_text(body, VARIABLES, helpers), encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--strict", "--no-error-summary", "--cache-dir"]
    done = subprocess.run(
        [*command, str(folder / "cache"), str(folder)],
        capture_output=True, text=True, check=False, cwd=folder,
        env=os.environ | {"MYPYPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stdout + done.stderr
    lines = done.stdout.splitlines()
    return {name: [line for line in lines if line.startswith(f"{name}.py:")] for name in bodies}


def test_mypy_and_the_compiler_refuse_the_same_mixtures_of_kinds(tmp_path: Path) -> None:
    bodies = {f"bad{number:02}": body for number, body in enumerate(MIXED)} | {"good": GOOD}
    errors = check_types(tmp_path, bodies)
    assert errors.pop("good") == []
    line = 1 + law_text("pass", VARIABLES).splitlines().index("        pass")
    silent = [body for name, body in bodies.items() if name != "good" and not errors[name]]
    assert silent == []
    elsewhere = [text for found in errors.values() for text in found if f".py:{line}:" not in text]
    assert elsewhere == []
    compile_text(tmp_path, law_text(GOOD, VARIABLES, HELPERS))
    for body in MIXED:
        with pytest.raises(InputError):
            compile_text(tmp_path, law_text(body, VARIABLES, HELPERS if "self.twice(" in body else ""))
