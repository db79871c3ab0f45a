"""Exported C against the machine: every operation, on corners and random operands.

The C is compiled by gcc at -O0 and -O2; what the machine answers is itself checked against gcc by
`tests/controllers/test_integer_semantics.py`, from other C.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from controllers import opcodes
from controllers.lower import compile_law
from controllers.program import Program
from tests.controllers.c import laws
from tests.controllers.c.harness import SANITIZE, check_against_machine, compile_all
from tests.controllers.support import law_text, make_binding

COUNT = 4000
LAWS: dict[str, tuple[Callable[..., laws.Law], tuple[str, ...]]] = {
    "integer": (laws.integer_operations, laws.INTEGERS),
    "fixed": (laws.fixed_operations, laws.FIXED),
    "float": (laws.float_operations, laws.FLOATS),
    "wide": (laws.wide_operations, ("u64", "i64")),
    "to": (laws.conversions, (*laws.INTEGERS, *laws.FIXED, *laws.FLOATS)),
    "compare": (laws.comparisons, (*laws.INTEGERS, "q(7, 8)", *laws.FLOATS)),
}
CASES = [(make, kind) for make, kinds in LAWS.values() for kind in kinds]
NAMES = [f"{word} {kind}" for word, (_, kinds) in LAWS.items() for kind in kinds]


def written(folder: Path, law: laws.Law, helpers: str = "") -> Path:
    path = folder / "try.py"
    path.write_text(law_text(law[1], law[0], helpers))
    return path


@pytest.mark.parametrize(("make", "kind"), CASES, ids=NAMES)
def test_operations_give_the_bits_of_the_machine(
    tmp_path: Path, make: Callable[..., laws.Law], kind: str
) -> None:
    law = written(tmp_path, make(kind))
    check_against_machine(tmp_path / "c", law, make_binding("i32"), COUNT)


def test_arrays_and_tables_give_the_bits_of_the_machine(tmp_path: Path) -> None:
    law = written(tmp_path, laws.arrays(), laws.A_PLACE)
    check_against_machine(tmp_path / "c", law, make_binding("i32"), COUNT)


def all_programs(folder: Path) -> list[Program]:
    programs = []
    for make, kind in CASES:
        programs.append(compile_law(written(folder, make(kind)), make_binding("i32")))
    programs.append(compile_law(written(folder, laws.arrays(), laws.A_PLACE), make_binding("i32")))
    return programs


def test_no_operation_is_left_out(tmp_path: Path) -> None:
    """The laws above use every opcode that writes a value or jumps, whatever is added to the table."""
    used = {int(op) for program in all_programs(tmp_path) for op in program.code[:, 0]}
    others = {opcodes.IN, opcodes.OUT}  # the shipped laws
    assert {opcode.number for opcode in opcodes.OPCODES} - used - others == set()


@pytest.mark.parametrize(("make", "kind"), CASES, ids=NAMES)
def test_operations_have_no_undefined_behaviour(
    tmp_path: Path, make: Callable[..., laws.Law], kind: str
) -> None:
    """The replay program under the sanitizers of gcc, every warning an error."""
    folder = tmp_path / "c"
    law = written(tmp_path, make(kind))
    check_against_machine(folder, law, make_binding("i32"), 10, ("-O1",))
    built = compile_all(folder, "-O1", *SANITIZE)
    assert built.returncode == 0, built.stderr
