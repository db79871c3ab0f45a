"""Bad programs: the exact fault of each, and where it stands."""

import ast
import pickle
import sys
from pathlib import Path
from typing import Any, NamedTuple

import pytest

import controllers
from controllers.lower import compile_law
from controllers.parse.source import Position, RefusedError, Source
from targets.errors import InputError
from tests.controllers.families import BAD_FAMILIES, install
from tests.controllers.support import compile_text, law_text, make_binding

DECLARED = """a = var(u16, 0)
b = var(u8, 0)
s = var(i16, 0)
x = var(number, 0)
f = var(f32, 0)
t = var(ticks, 0)
fx = var(q(3, 12), 0)
LIMIT = const(u8, 3)
kp = param(gain, "kp_duty_per_rpm", 0.0001, low=0, high=1, about="gain")"""


class BadProgram(NamedTuple):
    """One entry of bad_programs.txt: program text, then line:column ~ rule ~ found ~ remedy."""

    body: str
    declarations: str
    helpers: str
    place: str
    rule: str
    found: str
    remedy: str

    @property
    def text(self) -> str:
        return law_text(self.body, self.declarations, self.helpers)


def read_table() -> list[BadProgram]:
    """Entries stand apart by a blank line; `> ` begins a line of on_start, `= ` a declaration, `+ ` a line of
    the methods below on_start.

    The class is in line 2, its docstring in line 3; declarations follow, then `def on_start` and its body.
    """
    entries = (Path(__file__).parent / "bad_programs.txt").read_text(encoding="utf-8").strip().split("\n\n")
    programs = []
    for entry in entries:
        *text, fault = entry.splitlines()
        body, declared, helpers = (
            "\n".join(line[2:] for line in text if line.startswith(f"{mark} ")) for mark in ">=+"
        )
        programs.append(BadProgram(body, declared or DECLARED, helpers, *fault.split(" ~ ")))
    return programs


MODULE = """from controllers.dialect import Law
class Try(Law):
    '''Try.'''
    def on_start(self) -> None:
        pass
"""
ONE_CLASS = "a law file holds one class derived from Law"
TOP_LEVEL = "a law file holds imports from controllers.dialect and one class"
CYCLE = (
    "    def on_start(self) -> None:\n        self.a()\n    def a(self) -> None:\n        self.on_start()\n"
)

# (whole file, line:column, rule, found)
BAD_FILES = (
    ("", "1:1", ONE_CLASS, "0 classes"),
    (MODULE + MODULE.replace("Try", "Two"), "1:1", ONE_CLASS, "2 classes"),
    ("import os\n" + MODULE, "1:1", TOP_LEVEL, "import os"),
    ("x = 1\n" + MODULE, "1:1", TOP_LEVEL, "x = 1"),
    ("from math import pi\n" + MODULE, "1:1", TOP_LEVEL, "from math import pi"),
    (MODULE.replace("(Law)", "(object)"), "2:1", "the class derives from Law alone", "class Try"),
    (MODULE.replace("    '''Try.'''\n", ""), "2:1", "a law says what it does", "no docstring"),
    (MODULE.replace("on_start", "on_hall_edge"), "2:1", "a law has on_start", "none"),
    (MODULE + "    def helper(self): pass\n", "6:5", "a method is a handler or is called by one", "helper"),
    (MODULE + "    def on_start(self): pass\n", "6:5", "a name is declared once", "on_start"),
    (MODULE.replace("(self)", "(self, x)"), "4:24", "an argument states its kind", "x"),
    (
        MODULE.replace("(self)", "(self, *x)"),
        "4:5",
        "a method takes self and plain arguments",
        "def on_start",
    ),
    (MODULE.replace("(self)", "(self, x: u8)"), "4:5", "a handler takes self alone", "on_start"),
    (MODULE.replace("None", "u8"), "4:5", "a handler takes self alone", "on_start"),
    (
        MODULE.replace("    def", "    @staticmethod\n    def"),
        "5:5",
        "a method has no decorator",
        "def on_start",
    ),
    (MODULE.split("    def")[0] + CYCLE, "7:9", "a method does not call itself", "on_start"),
    (
        MODULE.replace("pass", "self.a = " + "(" * 90 + "1" + ")" * 90),
        "5:9",
        "a class variable is declared",
        "a",
    ),
    (MODULE.replace("pass", "x = " + "-" * 90 + "1"), "5:89", "nesting is at most 80 levels", "more"),
    (MODULE.replace("pass", "x = " + "+".join("1" * 200)), "5:13", "nesting is at most 80 levels", "more"),
    ("\0", "1:1", "a law is legal Python", "source code string cannot contain null bytes"),
)


def faults_of(folder: Path, text: str, **changes: Any) -> InputError:
    with pytest.raises(InputError) as caught:
        compile_text(folder, text, **changes)
    return caught.value


@pytest.mark.parametrize("bad", read_table(), ids=lambda bad: bad.body.partition("\n")[0])
def test_bad_program_gives_exactly_this_fault(tmp_path: Path, bad: BadProgram) -> None:
    (fault,) = faults_of(tmp_path, bad.text).faults
    assert (fault.rule, fault.found, fault.remedy) == (bad.rule, bad.found, bad.remedy)
    assert fault.place == f"{tmp_path / 'try.py'}:{bad.place}"


def test_table_holds_many_programs() -> None:
    assert len(read_table()) > 100


@pytest.mark.parametrize(("text", "place", "rule", "found"), BAD_FILES)
def test_bad_file_gives_exactly_this_fault(
    tmp_path: Path, text: str, place: str, rule: str, found: str
) -> None:
    (fault,) = faults_of(tmp_path, text).faults
    assert (fault.place, fault.rule, fault.found) == (f"{tmp_path / 'try.py'}:{place}", rule, found)


def test_all_faults_come_in_one_list_in_the_order_of_the_text(tmp_path: Path) -> None:
    text = law_text(
        "self.a = 1\nself.c = self.c ** 2\nself.b = self.b + self.c\nself.zzz = 1",
        "b = var(u8, 0)\nc = var(u16, 0)",
    )
    error = faults_of(tmp_path, text.replace("self.c ** 2", "self.c + self.b"))
    assert [fault.place.rsplit(":", 2)[1] for fault in error.faults] == ["7", "8", "9", "10"]


def test_faults_of_the_parser_hide_those_of_the_compiler_but_not_each_other(tmp_path: Path) -> None:
    error = faults_of(tmp_path, law_text("while True: pass\nself.a = [1]\nself.zzz = 1"))
    assert [fault.rule for fault in error.faults] == [
        "no while loop: its time has no bound",
        "no such expression in the dialect",
    ]


def test_message_shows_the_line_and_a_caret(tmp_path: Path) -> None:
    error = faults_of(tmp_path, law_text("self.a = self.a + self.b", DECLARED))
    assert str(error) == (
        f"{tmp_path / 'try.py'}:14:18: both operands have the same type, found u16 and u8; "
        "convert one: u16(...) or u8(...)\n"
        "            self.a = self.a + self.b\n"
        "                     ^^^^^^^^^^^^^^^"
    )


def test_caret_stands_right_below_text_that_is_not_ascii(tmp_path: Path) -> None:
    text = law_text("self.µ = self.µ ** 2  # µs", "µ = var(u8, 0)")
    message = str(faults_of(tmp_path, text)).splitlines()
    assert message[1].index("self.µ **") == message[2].index("^")
    assert message[2].count("^") == len("self.µ ** 2")


def test_fault_of_an_inlined_helper_is_reported_once(tmp_path: Path) -> None:
    text = law_text("self.helper()\nself.helper()", helpers="def helper(self) -> None:\n    self.zzz = 1")
    assert len(faults_of(tmp_path, text).faults) == 1


def test_error_can_be_sent_from_a_worker_process(tmp_path: Path) -> None:
    error = faults_of(tmp_path, law_text("self.zzz = 1"))
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


def test_law_is_never_executed(tmp_path: Path) -> None:
    """A stranger's file is refused, and what it would have done has not happened."""
    mark = tmp_path / "mark"
    attack = f"import os\nos.system('touch {mark}')\n" + MODULE + f"open({str(mark)!r}, 'w')\n"
    error = faults_of(tmp_path, attack)
    assert [fault.rule for fault in error.faults] == [TOP_LEVEL] * 3
    assert not mark.exists()


def test_legal_law_is_not_executed_either(tmp_path: Path) -> None:
    """The module body of a law runs in no case: a default argument or decorator is refused, not evaluated."""
    mark = tmp_path / "mark"
    text = MODULE.replace("(self)", f"(self=open({str(mark)!r}, 'w'))")
    compile_text(tmp_path, MODULE)
    with pytest.raises(InputError):
        compile_text(tmp_path, text)
    assert not mark.exists()


def test_missing_file_is_one_fault(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        compile_law(tmp_path / "none.py", make_binding())
    assert caught.value.faults[0].rule == "a law is a readable text file"


# (change of the binding, place, rule, found, remedy)
BAD_BINDINGS = (
    (
        {"arithmetic": "i33"},
        "firmware.arithmetic",
        "is i8, i16, i32, f32, f64 or qM.N",
        "'i33'",
        "choose one of them, such as i32 or q15.16",
    ),
    (
        {"arithmetic": "u16"},
        "firmware.arithmetic",
        "is i8, i16, i32, f32, f64 or qM.N",
        "'u16'",
        "choose one of them, such as i32 or q15.16",
    ),
    (
        {"arithmetic": "q10.10"},
        "firmware.arithmetic",
        "qM.N fills 8, 16 or 32 bits with its sign",
        "q10.10",
        "the nearest is q5.10",
    ),
    ({"timer_bits": 12}, "firmware.timer_bits", "is 16 or 32", "12", "correct the design"),
    ({"tick_Hz": 0.0}, "firmware.tick_Hz", "is a positive number", "0.0", "correct the design"),
    ({"pole_pairs": 0}, "firmware.pole_pairs", "is at least 1", "0", "correct the design"),
    ({"duty_top": 70000}, "firmware.duty_top", "is 1..65535 PWM counts", "70000", "correct the design"),
    (
        {"control_period_s": float("nan")},
        "firmware.control_period_s",
        "is a positive number",
        "nan",
        "correct the design",
    ),
    (
        {"tick_Hz": 2e8},
        "firmware.tick_Hz",
        "60 tick_Hz / pole_pairs fits u32",
        "6000000000",
        "use a larger prescaler",
    ),
    (
        {"parameters": {"speed_rpm": 3.0}},
        "firmware.parameters.speed_rpm",
        "is a parameter of try",
        "speed_rpm",
        "try has trim_s",
    ),
    (
        {"parameters": {"trim_s": 2.0}},
        "firmware.parameters.trim_s",
        "lies in 0..1 s",
        "2",
        "correct the scenario",
    ),
    (
        {"parameters": {"trim_s": 1.0}, "arithmetic": "i16"},
        "firmware.parameters.trim_s",
        "trim_s fits number (i16)",
        "1 = 2000000 counts",
        "stay within -32768..32767 counts: another value, prescaler or arithmetic",
    ),
)


@pytest.mark.parametrize(("change", "place", "rule", "found", "remedy"), BAD_BINDINGS)
def test_bad_binding_is_a_fault_of_the_scenario(
    tmp_path: Path, change: dict[str, Any], place: str, rule: str, found: str, remedy: str
) -> None:
    text = law_text("pass", 'trim = param(number, "trim_s", 1e-6, low=0, high=1, about="trim")')
    (fault,) = faults_of(tmp_path, text, **change).faults
    assert (fault.place, fault.rule, fault.found, fault.remedy) == (place, rule, found, remedy)


SOURCES = [
    path for part in ("parse", "lower") for path in (Path(controllers.__file__).parent / part).glob("*.py")
]
BAD_DESIGN_TEXT = law_text("pass", 'trim = param(number, "trim_s", 1e-6, low=0, high=1, about="trim")')


def refusing_calls() -> set[tuple[str, int, int]]:
    """(file, first line, last line) of every call that records a fault."""
    names = {"refuse", "refuse_constant", "_stop", "Fault"}
    calls = set()
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            called = getattr(node, "func", None)
            if isinstance(node, ast.Call) and getattr(called, "attr", getattr(called, "id", "")) in names:
                calls.add((str(path), node.lineno, node.end_lineno or node.lineno))
    return calls


class Watch:
    """Notes the lines through which each fault was recorded."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.lines: set[tuple[str, int]] = set()
        refuse, add = Source.refuse, Source.add

        def watched_refuse(source: Source, at: Position, rule: str, found: str, remedy: str) -> RefusedError:
            self.note()
            return refuse(source, at, rule, found, remedy)

        def watched_add(source: Source, fault: Any) -> None:
            self.note()
            add(source, fault)

        monkeypatch.setattr(Source, "refuse", watched_refuse)
        monkeypatch.setattr(Source, "add", watched_add)

    def note(self) -> None:
        frame = sys._getframe(2)
        while frame is not None:
            self.lines.add((frame.f_code.co_filename, frame.f_lineno))
            frame = frame.f_back  # type: ignore[assignment]

    def saw(self, call: tuple[str, int, int]) -> bool:
        return any((call[0], line) in self.lines for line in range(call[1], call[2] + 1))


# refusals that raise without the law's text: test_missing_file_is_one_fault, BAD_BINDINGS (tick_Hz)
ELSEWHERE = {("law.py", "_read"), ("compile.py", "_hw_values")}


def test_every_refusal_of_parser_and_compiler_has_a_bad_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = Watch(monkeypatch)
    for bad in read_table():
        faults_of(tmp_path, bad.text)
    for text, *_ in BAD_FILES:
        faults_of(tmp_path, text)
    for change, *_ in BAD_BINDINGS:
        faults_of(tmp_path, BAD_DESIGN_TEXT, **change)
    for bad_family in BAD_FAMILIES:
        path = install(tmp_path, monkeypatch, bad_family.law, bad_family.bases)
        with pytest.raises(InputError):
            compile_law(path, make_binding())
    unseen = [call for call in refusing_calls() if not watch.saw(call) and not is_elsewhere(call)]
    assert [f"{Path(path).name}:{line}" for path, line, _ in sorted(unseen)] == []


def is_elsewhere(call: tuple[str, int, int]) -> bool:
    """Whether the call stands in a function of `ELSEWHERE`."""
    path = Path(call[0])
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef) and node.lineno <= call[1] <= (node.end_lineno or 0):
            return (path.name, node.name) in ELSEWHERE
    return False
