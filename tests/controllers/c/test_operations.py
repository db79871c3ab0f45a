"""Exported C against the machine: every operation, on corners and random operands.

What the machine answers is itself checked against gcc, from other C: `tests/controllers/test_*_semantics.py`.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from controllers import opcodes
from controllers.lower import compile_law
from controllers.program import Program
from tests.controllers.c import laws
from tests.controllers.c.harness import check_against_machine, check_replay
from tests.controllers.support import law_text, make_binding

COUNT = 1500
MANY = 200_000
Make = Callable[[str], laws.Law]
LAWS: dict[str, tuple[Make, tuple[str, ...]]] = {
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
def test_operations_give_the_bits_of_the_machine(tmp_path: Path, make: Make, kind: str) -> None:
    """Under the sanitizers of gcc: no undefined behaviour either."""
    check_replay(tmp_path / "c", written(tmp_path, make(kind)), make_binding("i32"), COUNT, "replay.c")


def test_arrays_and_tables_give_the_bits_of_the_machine(tmp_path: Path) -> None:
    law = written(tmp_path, laws.arrays(), laws.A_PLACE)
    check_replay(tmp_path / "c", law, make_binding("i32"), COUNT, "replay.c")


@pytest.mark.slow
@pytest.mark.long
@pytest.mark.parametrize(("make", "kind"), CASES, ids=NAMES)
def test_operations_give_the_bits_of_the_machine_at_length(tmp_path: Path, make: Make, kind: str) -> None:
    check_against_machine(tmp_path / "c", written(tmp_path, make(kind)), make_binding("i32"), MANY)


def programs(folder: Path) -> list[Program]:
    """The laws above, compiled."""
    cases = [(make(kind), "") for make, kind in CASES] + [(laws.arrays(), laws.A_PLACE)]
    return [compile_law(written(folder, law, helpers), make_binding("i32")) for law, helpers in cases]


def test_no_operation_is_left_out(tmp_path: Path) -> None:
    """The laws above use every opcode that works out a value or jumps, whatever is added to the table."""
    used = {int(op) for program in programs(tmp_path) for op in program.code[:, 0]}
    of_the_shipped_laws = {opcodes.IN, opcodes.OUT}
    assert {opcode.number for opcode in opcodes.OPCODES} - used == of_the_shipped_laws
