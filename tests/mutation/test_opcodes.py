"""The mutation script itself: it reaches every opcode, and its tests kill a handful of mutants."""

import ast
import os
import subprocess
import sys

import pytest

from controllers.opcodes import OPCODES
from tests.mutation.opcodes import ROOT, all_mutants, mutated

FEW = ("RET", "ADD", "F_DIV", "STORE_AT", "SAT_ADD", "WIDE_MUL")


def test_every_opcode_has_a_mutant_and_every_mutant_is_another_program() -> None:
    mutants = list(all_mutants())
    assert {mutant.opcode for mutant in mutants} == {opcode.name for opcode in OPCODES}
    for mutant in mutants:
        text = (ROOT / mutant.file).read_text(encoding="utf-8")
        assert ast.dump(ast.parse(mutated(text, mutant))) != ast.dump(ast.parse(text)), mutant


@pytest.mark.slow
@pytest.mark.long
def test_mutants_of_a_few_opcodes_are_killed() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.mutation.opcodes", *FEW], cwd=ROOT, capture_output=True, text=True,
        env=os.environ | {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert ", 0 survived" in done.stdout
