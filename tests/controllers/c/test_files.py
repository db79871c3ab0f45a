"""What stands in the exported files, and what the replay program says of a law that is not the same."""

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest

from controllers import law_names, law_path
from controllers.c.export import export_law
from controllers.c.names import Names, identifier
from controllers.c.snippet import c_vector
from controllers.c.vectors import random_calls
from controllers.lower import compile_law
from controllers.play import WRITTEN, play, random_inputs_shape
from controllers.ports import IN_PORTS
from tests.controllers.c.harness import STRICT, compile_replay, exported, replay, require, write_files
from tests.controllers.support import Bench, law_text, make_binding


def files_of(law: str, arithmetic: str, **parameters: float) -> dict[str, str]:
    return export_law(law_path(law), make_binding(arithmetic, parameters), vectors=40)


HEADER = (
    "open_ramp", "arithmetic: i16", "2000000 Hz", "0.5 us", "pole pairs: 2", "trim_s = 1.1e-06 held as 1e-06",
    "start_step_s = 0.004:", "CAUTION", "uint16_t hw_timer(void);", "void on_step_timer(void);",
)  # fmt: skip


def test_the_header_says_what_it_was_made_for() -> None:
    header = files_of("open_ramp", "i16", trim_s=1.1e-6, start_step_s=0.004)["open_ramp.h"]
    assert [part for part in HEADER if part not in header] == []
    assert "hw_hall" not in header  # not used
    wide = export_law(law_path("open_ramp"), make_binding("i16", timer_bits=32))
    assert "uint32_t hw_timer(void);" in wide["open_ramp.h"]


def test_only_the_standard_headers_of_a_bare_compiler_are_included() -> None:
    """C99 4 p6: a freestanding implementation has stdint.h and float.h."""
    for arithmetic, expected in (("i32", {"stdint.h"}), ("f32", {"stdint.h", "float.h"})):
        files = files_of("step_trim", arithmetic)
        text = files["step_trim.c"] + files["step_trim.h"]
        assert set(re.findall(r"#include <(.*)>", text)) == expected


def line_number(path: Path, line: str) -> int:
    return next(n for n, found in enumerate(path.read_text().split("\n"), 1) if found.strip() == line)


def test_the_lines_of_the_law_and_of_its_base_stand_as_comments() -> None:
    text = files_of("duty_pi", "i32")["duty_pi.c"]
    own, base = law_path("duty_pi"), law_path("duty_pi").parents[1] / "bases" / "hall_timed.py"
    line = "integral += scale(error, self.ki)"
    assert f"/* line {line_number(own, line)}: {line} */" in text
    line = "self.room = sat_sub(self.room, self.step_ticks)"
    assert f"/* line {line_number(base, line)} of hall_timed.py: {line} */" in text


def test_the_same_seed_gives_the_same_files_and_another_one_other_vectors() -> None:
    law, binding = law_path("step_trim"), make_binding("i32")
    assert export_law(law, binding, 50, seed=3) == export_law(law, binding, 50, seed=3)
    one, other = (export_law(law, binding, 50, seed=seed)["vectors.csv"] for seed in (3, 4))
    assert one != other


def test_replay_names_the_first_mismatch(tmp_path: Path) -> None:
    law = tmp_path / "count.py"
    law.write_text(law_text("self.c += 7", "c = var(u8, 0)"))
    folder = tmp_path / "c"
    exported(folder, law, make_binding("i32"), vectors=3)
    before = int((folder / "vectors.csv").read_text().split("\n")[2].split(",")[1])
    text = (folder / "count.c").read_text()
    assert "c + 7u" in text
    (folder / "count.c").write_text(text.replace("c + 7u", "c + 8u"))
    compile_replay(folder)
    ended = replay(folder)
    said = f"line 3, on_start: c is {(before + 8) % 256}, expected {(before + 7) % 256}\n"
    assert (ended.returncode, ended.stdout) == (1, said)


BELOW = "return a < INT32_MIN - b ? (int32_t)INT32_MIN : (int32_t)(a + b);"
# no state leads there, unless another handler interrupts
UNREACHED = {
    # while the speed is not known it is 0: no error below 0, nothing missing beyond the start duty; what is
    # divided is not negative
    "duty_pi": ["value_2 = 1000;", "value_3 = value_3 + 255;"],
    "duty_pi_three": ["value_2 = 1000;", "value_3 = value_3 + 255;"],
    # what is added is not negative; the base's run, which it has of its own; a third above the half
    "free_trim": [
        BELOW,
        "if ((uint16_t)(new_compare - edge) <= 32767u) {",
        "return;",
        "steps_since_edge = 254u;",
        "value = 32767u;",
    ],
    # the command is compared with 0 before it divides; the trim that is added is not negative
    "open_ramp": ["return 0u;", BELOW],
    # a sixth of what the timer counts, and the largest lag, is below half of it
    "step_trim": ["return 65535u;", "value_3 = 32767u;"],
    "step_trim_background": ["return 65535u;", "found_2 = 32767u;"],
    # both, but for a trim within a nudge of its format's end: no run leads there, few vectors hold one
    "trim_then_duty": ["return 65535u;", "value_2 = 32767u;", "value_2 = value_2 + 255;"],
}


@pytest.mark.parametrize("law", law_names())
def test_the_vectors_reach_every_line_of_a_law(tmp_path: Path, law: str) -> None:
    """Counted by gcov in the copy of the law that replay.c includes."""
    require("gcov")
    write_files(tmp_path, export_law(law_path(law), make_binding("i32"), vectors=20_000))
    compile_replay(tmp_path, "-O0", "--coverage", sources="replay.c")
    assert replay(tmp_path).returncode == 0
    (counts,) = tmp_path.glob("*.gcda")
    command = ["gcov", "--stdout", str(counts)]
    counted = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    sections = [section.split("\n") for section in counted.split(":Source:")]
    (of_law,) = (lines for lines in sections if lines[0].endswith(f"/{law}.c"))
    assert len(of_law) > 100
    unreached = [line.split(":", 2)[2].strip() for line in of_law if line.strip().startswith("#####")]
    assert unreached == UNREACHED.get(law, [])


# (what is done to vectors.csv, exit status, what is said)
DAMAGE = [
    (lambda text: text.replace("hw_set_step=0", "hw_set_step=3", 1), 1, "hw_set_step is 0, expected 3"),
    (lambda text: text.replace("hw_set_duty", "hw_set_compare", 1), 1, "index of the output called"),
    (lambda text: text.replace(" hw_set_step=0", "", 1), 1, ""),
    (lambda text: text.replace("on_start", "on_stop"), 2, "line 3 is no vector"),
    (lambda text: text[: text.index("\non_start") + 1], 2, ""),
    (lambda text: text.rstrip() + ",7\n", 2, "is no vector"),
]


@pytest.mark.parametrize(("damage", "status", "said"), DAMAGE)
def test_replay_does_not_pass_damaged_vectors(tmp_path: Path, damage: object, status: int, said: str) -> None:
    exported(tmp_path, law_path("step_trim"), make_binding("i32"), vectors=30)
    compile_replay(tmp_path)
    assert replay(tmp_path).returncode == 0
    path = tmp_path / "vectors.csv"
    assert callable(damage)
    path.write_text(damage(path.read_text()))
    ended = replay(tmp_path)
    assert ended.returncode == status
    assert said in ended.stdout + ended.stderr


def test_replay_finds_its_vectors_from_any_folder(tmp_path: Path) -> None:
    exported(tmp_path / "out", law_path("open_ramp"), make_binding("i16"), vectors=5)
    require("gcc")
    sources = ["out/open_ramp.c", "out/replay.c"]
    subprocess.run(["gcc", "-std=c99", *sources, "-o", "r"], cwd=tmp_path, check=True)
    for folder in (tmp_path, tmp_path / "out"):
        ended = subprocess.run([tmp_path / "r"], cwd=folder, capture_output=True, text=True, check=False)
        assert (ended.returncode, ended.stdout) == (0, "5 vectors match\n")
    given = subprocess.run(["./r", "nowhere.csv"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (given.returncode, given.stdout) == (2, "")


def test_vectors_are_what_a_bench_gives() -> None:
    """The same calls through the way that the other tests use the machine."""
    program = compile_law(law_path("step_trim"), make_binding("q15.16"))
    calls = random_calls(program, 200, seed=5)
    names = {pc: name for name, pc in program.handlers.items()}
    for row, (entry, before) in enumerate(zip(calls.entries, calls.before, strict=True)):
        scripted = map(int, calls.inputs[row])
        bench = Bench(program, inputs=dict.fromkeys(range(len(IN_PORTS)), scripted.__next__))
        bench.ints[list(program.statics.values())] = before
        bench.call(names[int(entry)])
        assert [bench.value(name) for name in program.statics] == list(calls.after[row])
        assert [value for _, value in bench.log] == list(calls.values[row, : calls.counts[row, WRITTEN]])
        assert bool(calls.faulty[row]) == bool(bench.faults.any())


def test_play_refuses_inputs_of_another_shape() -> None:
    program = compile_law(law_path("open_ramp"), make_binding("i32"))
    rows, columns = random_inputs_shape(program, 1)
    with pytest.raises(AssertionError, match="inputs have the shape"):
        play(program, [0], np.zeros((1, 6)), np.zeros((1, 6)), np.zeros((rows, columns + 1)))


def test_c_vector_is_a_program_that_agrees(tmp_path: Path) -> None:
    program = exported(tmp_path, law_path("step_trim"), make_binding("f32"), vectors=1)
    state = {
        "step": 5,
        "low_seen": 1,
        "room": 30000,
        "step_ticks": 900,
        "steps_since_edge": 4,
        "trim": float("nan"),
    }
    text = c_vector(program, "on_hall_edge", state, [50000, 12345, 50004], "a comment */ of its own")
    assert "{30000ll, 0.0}, /* room */" in text
    (tmp_path / "found").mkdir()
    (tmp_path / "found" / "found.c").write_text(text)
    require("gcc")
    command = ["gcc", *STRICT, f"-I{tmp_path}", "found/found.c", "-o", "found/found"]
    built = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    ended = subprocess.run(["found/found"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout) == (0, "as found\n")
    wrong = text.replace(".inputs = {50000ll", ".inputs = {50001ll")
    (tmp_path / "found" / "found.c").write_text(wrong)
    subprocess.run(command, cwd=tmp_path, check=True)
    ended = subprocess.run(["found/found"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert ended.returncode == 1
    assert "on_hall_edge" in ended.stdout.splitlines()[0]
    assert ended.stdout.endswith("\nnot as found\n")


ODD = '''"""A law of odd names: */ and /* and ??/ in a comment."""
from controllers.dialect import Law, hw, i16, ticks, u8, u16, var, wrap_add


class Odd(Law):
    """Ends */ the comment."""

    int = var(i16, 3)
    hw_timer = var(ticks, 0)
    hw_hall = var(u16, 0)
    länge = var(u8, 0)
    _step = var(u8, 0)
    add_i16 = var(i16, 1)
    div = var(i16, 1)
    now = var(u8, 0)
    cells = var(u8, 0)
    round = var(u8, 0)
    LINE = var(u8, 0)
    vector = var(u8, 0)

    def on_start(self) -> None:
        new_int = self.int  # a trap: */ int x; /* ??/
        self.int = self.int // self.div + self.add_i16 * new_int
        self.hw_timer = wrap_add(hw.timer(), 1)
        self.hw_hall = u16(hw.hall())
        self.länge = self._step
        self.now = self.cells + self.round + self.LINE + self.vector
'''


def test_odd_names_and_comments_compile(tmp_path: Path) -> None:
    law = tmp_path / "my-law 2.py"
    law.write_text(ODD)
    write_files(tmp_path / "c", export_law(law, make_binding("i32"), vectors=20))
    assert (tmp_path / "c" / "my_law_2.c").exists()
    compile_replay(tmp_path / "c")
    assert replay(tmp_path / "c").returncode == 0


IDENTIFIERS = [
    ("step", "step"), ("int", "law_int"), ("_x", "law__x"), ("länge", "l_ue4nge"), ("uint8_t", "law_uint8_t"),
    ("a b", "a_b"), ("2x", "law_2x"), ("div_i32", "law_div_i32"), ("divider", "divider"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "expected"), IDENTIFIERS)
def test_identifier(name: str, expected: str) -> None:
    assert identifier(name) == expected


def test_names_differ() -> None:
    names = Names(frozenset({"step"}))
    assert [names.fresh(name) for name in ("step", "step", "x", "x")] == [
        "new_step",
        "new_step_2",
        "x",
        "x_2",
    ]


def test_law_without_variables_and_without_hardware(tmp_path: Path) -> None:
    law = tmp_path / "bare.py"
    law.write_text(law_text("pass"))
    write_files(tmp_path / "c", export_law(law, make_binding("i32"), vectors=3))
    compile_replay(tmp_path / "c")
    assert replay(tmp_path / "c").stdout == "3 vectors match\n"
