"""Mutants of the machine: every opcode done a little wrong, and whether the semantic tests notice.

    NUMBA_DISABLE_JIT=1 python -m tests.mutation.opcodes [OPCODE ...]

A mutant is one change of text in `controllers/machine.py` or `controllers/wide.py`, made in a temporary
copy of the tree. The tests run there as plain Python, so that nothing is compiled, and stop at the first
failure. A mutant that no test notices has survived: a test is missing, or the change makes no difference.
"""

import compileall
import importlib
import os
import py_compile
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, NamedTuple

import pytest

from controllers.opcodes import OPCODES

ROOT: Final = Path(__file__).resolve().parents[2]
MACHINE: Final = "controllers/machine.py"
WIDE: Final = "controllers/wide.py"
TESTS: Final = {
    name: f"tests/controllers/test_{name}.py"
    for name in (
        "integer_semantics", "wide_semantics", "float_semantics", "fixed_semantics", "array_semantics",
        "good_programs",
    )
}  # fmt: skip
TIME_LIMIT_S: Final = 180
_HEAVY: Final = ("numpy", "numba", "llvmlite.binding")
_COPIED: Final = ("controllers", "targets", "tests/controllers", "pyproject.toml")


class Mutant(NamedTuple):
    """One change: `old` becomes `new` in function or branch `scope` of `file`, at its first place there."""

    opcode: str
    what: str
    file: str
    scope: str
    old: str
    new: str


class Rule(NamedTuple):
    """A change that is made in the branch of every opcode where `pattern` is found."""

    what: str
    pattern: str
    replacement: str


_COMMUTE: Final = {
    "ADD", "MUL", "AND", "OR", "XOR", "WRAP_ADD", "MUL_SHIFT", "JUMP_EQ", "JUMP_NE", "F_ADD", "F_MUL",
    "F_JUMP_EQ", "F_JUMP_NE", "SAT_ADD", "SAT_MUL_SHIFT", "MUL_WIDE", "WIDE_ADD", "WIDE_MUL",
}  # fmt: skip
_SWAP: Final = "operands swapped"
RULES: Final = (
    Rule(_SWAP, r"(ints|floats)\[a\](.*)\1\[b\]", r"\1[b]\2\1[a]"),
    Rule("first operand read from b", r"\[a\]", "[b]"),
    Rule("sum for difference", r"\[a\] - ", "[a] + "),
    Rule("difference for sum", r"\[a\] \+ ", "[a] - "),
    Rule("one off", r"(\[b\]|\[a\])(, |\) >> extra, )kind", r"\1 + 1\2kind"),
    Rule("other sign of the kind", r"\bkind\b(?!\])", "(kind ^ 1)"),
    Rule("wrong fault counted", r"OVERFLOW|CONVERSION", "ZERO_DIVISION"),
    Rule("limit left out", r"<= ", "< "),
    Rule("limit taken in", r"(?<!<)< ", "<= "),
    Rule("jumps where equal", r" != ", " == "),
    Rule("jumps where not equal", r"\[a\] == ", "[a] != "),
    Rule("lands one behind", r"extra - 1", "extra"),
    Rule("count one off", r"(<<|>>) extra|, extra", r"\g<0> + 1"),
    Rule("scale one off", r"POWER\[b\]|\], b\)", lambda m: m[0].replace("b", "b + 1")),  # type: ignore[arg-type]
    Rule("and for or", r" \| ", " & "),
    Rule("or for and", r" & ", " | "),
    Rule("or for exclusive or", r" \^ (?=ints)", " | "),
    Rule("sign kept", r"-(ints|floats)\[a\]", r"\1[a]"),
    Rule("product for sum of cells", r"cell_product", "cell_sum"),
)
# no change of result: the sign of ==, and operands of what commutes
_IDLE: Final = {(opcode, _SWAP) for opcode in _COMMUTE}

_COUNTED: Final = "+= 1"
HELPERS: Final = (
    Mutant("RET", "does not stop", MACHINE, "run*", "op == RET or ", ""),
    Mutant("IN", "does not stop", MACHINE, "run*", "op == IN or ", ""),
    Mutant("OUT", "does not stop", MACHINE, "run*", " or op == OUT", ""),
    Mutant("F_ADD", "not rounded", MACHINE, "rounded", "kind == _SINGLE", "kind == -1"),
    Mutant("F_SUB", "infinity not counted", MACHINE, "store_float", _COUNTED, "+= 0"),
    Mutant("F_MUL", "one infinity not counted", MACHINE, "store_float", "abs(result)", "result"),
    Mutant("F_DIV", "zero not counted", MACHINE, "divide_float", _COUNTED, "+= 0"),
    Mutant("F_DIV", "x/0 is 0", MACHINE, "divide_float", "floats[dst] = x / y", "floats[dst] = 0.0"),
    Mutant("DIV", "floors", MACHINE, "truncated_quotient", "else -size", "else -size - 1"),
    Mutant("DIV", "zero not counted", MACHINE, "divide", _COUNTED, "+= 0"),
    Mutant("DIV", "x/0 is x", MACHINE, "divide", "ints[dst] = 0", "ints[dst] = x"),
    Mutant("DIV_SHIFT", "counted twice", MACHINE, "divide", _COUNTED, "+= 2"),
    Mutant("MOD", "zero not counted", MACHINE, "remainder", _COUNTED, "+= 0"),
    Mutant("MOD", "x%0 is x", MACHINE, "remainder", "ints[dst] = 0", "ints[dst] = x"),
    Mutant("MOD", "sign of the divisor", MACHINE, "remainder", "x - truncated_quotient(x, y) * y", "x % y"),
    Mutant("ADD", "wrap not counted", MACHINE, "store_counted", _COUNTED, "+= 0"),
    Mutant("SUB", "wrap not made", MACHINE, "store_counted", "ints[dst] = wrapped", "ints[dst] = exact"),
    Mutant("CONVERT", "toward zero", MACHINE, "rescaled", "value >> -bits", "int(value / (1 << -bits))"),
    Mutant("FLOAT_TO_INT", "floors", MACHINE, "store_truncated", "np.trunc", "np.floor"),
    Mutant("FLOAT_TO_INT", "not counted", MACHINE, "store_truncated", _COUNTED, "+= 0"),
    Mutant("FLOAT_TO_INT", "NaN is not 0", MACHINE, "saturated", "else 0", "else 1"),
    Mutant("SAT_FROM_FLOAT", "highest value one off", MACHINE, "saturated", "int(_HIGH[kind])",
           "int(_HIGH[kind]) - 1"),
    Mutant("SAT_FROM_FLOAT", "lowest value is 0", MACHINE, "saturated", "int(_LOW[kind])", "0"),
    Mutant("LOAD_AT", "reaches one further", MACHINE, "element", "index < length", "index <= length"),
    Mutant("LOAD_AT", "not counted", MACHINE, "element", _COUNTED, "+= 0"),
    Mutant("STORE_AT", "first element instead of last", MACHINE, "element", "base + length - 1", "base"),
    Mutant("F_LOAD_AT", "counted twice", MACHINE, "element", _COUNTED, "+= 2"),
    Mutant("F_STORE_AT", "one behind", MACHINE, "element", "base + index", "base + index - 1"),
    Mutant("WIDE_ADD", "carry missed", WIDE, "wide_add", "is_below(total, a, kind)", "False"),
    Mutant("WIDE_ADD", "signed carry wrong", WIDE, "wide_add", "& (b ^ total)", "| (b ^ total)"),
    Mutant("WIDE_SUB", "borrow missed", WIDE, "wide_sub", "is_below(a, b, kind)", "False"),
    Mutant("WIDE_SUB", "signed borrow wrong", WIDE, "wide_sub", "& (a ^ rest)", "| (a ^ rest)"),
    Mutant("WIDE_MUL", "wrap not counted", WIDE, "wide_mul", "not fits", "False"),
    Mutant("WIDE_MUL", "-1 * lowest missed", WIDE, "wide_mul", "b == _LOWEST", "False"),
    Mutant("WIDE_DIV", "lowest / -1 missed", WIDE, "wide_div", "a == _LOWEST", "False"),
    Mutant("WIDE_DIV", "zero not counted", WIDE, "wide_div", _COUNTED, "+= 0"),
    Mutant("WIDE_DIV", "x/0 is 1", WIDE, "wide_div", "ints[dst] = 0", "ints[dst] = 1"),
    Mutant("WIDE_DIV", "floors", WIDE, "_quotient", "floor + 1 if", "floor if"),
    Mutant("WIDE_DIV", "signed only", WIDE, "_quotient", "kind == _UNSIGNED", "False"),
    Mutant("WIDE_MOD", "zero not counted", WIDE, "wide_mod", _COUNTED, "+= 0"),
    Mutant("WIDE_MOD", "x%0 is 1", WIDE, "wide_mod", "ints[dst] = 0", "ints[dst] = 1"),
    Mutant("WIDE_NEG", "lowest not counted", WIDE, "wide_neg", "a == _LOWEST", "False"),
    Mutant("WIDE_NEG", "unsigned not counted", WIDE, "wide_neg", "a != 0 if", "False if"),
    Mutant("WIDE_SHL", "loss not counted", WIDE, "wide_shl", "wide_shr(shifted, count, kind) != a", "False"),
    Mutant("WIDE_SHR", "sign shifted in", WIDE, "wide_shr", "kind == _UNSIGNED", "False"),
    Mutant("WIDE_SHR", "no sign shifted in", WIDE, "wide_shr", "kind == _UNSIGNED", "True"),
    Mutant("WIDE_CONVERT", "lost bits not counted", WIDE, "wide_convert", "result != value or", "False or"),
    Mutant("WIDE_CONVERT", "change of sign missed", WIDE, "wide_convert", "or changes_sign", "or False"),
    Mutant("WIDE_JUMP_LT", "compares as signed", WIDE, "is_below", "kind == _UNSIGNED", "False"),
    Mutant("WIDE_JUMP_LE", "compares as unsigned", WIDE, "is_below", "kind == _UNSIGNED", "True"),
    Mutant("SAT_ADD", "highest value off", WIDE, "clamped", "), int(_HIGH[kind])", "), int(_HIGH[kind]) - 1"),
    Mutant("SAT_SUB", "lowest value not held", WIDE, "clamped", "max(value, int(_LOW[kind]))", "value"),
    Mutant("SAT_CONVERT", "u64 read as signed", WIDE, "clamped", "source == _UNSIGNED", "False"),
    Mutant("SAT_CONVERT", "below 0 of u64", WIDE, "clamped", "max(value, 0)", "value"),
    Mutant("WRAP_CONVERT", "one bit too many", WIDE, "wrap", "& MASK[kind]", "& (MASK[kind] * 2 + 1)"),
)  # fmt: skip


def scope_of(text: str, scope: str) -> tuple[int, int]:
    """Where a scope begins and ends: a function by name (`run*`: the chain), or the branch of an opcode."""
    name = r"run\w*" if scope == "run*" else re.escape(scope)
    if scope.isupper():
        found = re.search(rf"^ +(?:el)?if op == {name}:\n(?:(?! +elif op ==| +pc \+= 1).*\n)*", text, re.M)
    else:
        found = re.search(rf"^def {name}\((?:.*\n)+?(?=\n\n|\Z)", text, re.M)
        if scope == "run*":
            found = re.search(r"^ +if op == RET.*\n", text, re.M)
    if found is None:
        raise LookupError(f"{scope}: no such function or branch")
    return found.span()


def mutated(text: str, mutant: Mutant) -> str:
    """The file's text with the change made; LookupError where there is nothing to change."""
    begin, end = scope_of(text, mutant.scope)
    part = text[begin:end]
    if mutant.old not in part or mutant.old == mutant.new:
        raise LookupError(f"{mutant.scope}: {mutant.old!r} is not there")
    return text[:begin] + part.replace(mutant.old, mutant.new, 1) + text[end:]


def all_mutants(root: Path = ROOT) -> Iterator[Mutant]:
    """Every mutant of every opcode, by the table's order."""
    text = (root / MACHINE).read_text(encoding="utf-8")
    for opcode in OPCODES:
        yield from (mutant for mutant in HELPERS if mutant.opcode == opcode.name)
        if opcode.stops:
            continue
        begin, end = scope_of(text, opcode.name)
        body = text[begin:end].partition("\n")[2]
        for rule in RULES:
            changed = re.sub(rule.pattern, rule.replacement, body, count=1)
            if changed != body and (opcode.name, rule.what) not in _IDLE:
                yield Mutant(opcode.name, rule.what, MACHINE, opcode.name, body, changed)


def tests_for(opcode: str) -> list[str]:
    """The semantic tests, those that deal with the opcode first."""
    first = "integer_semantics"
    if opcode.startswith(("WIDE_", "SAT_", "MUL_WIDE", "WRAP_CONVERT")):
        first = "wide_semantics"
    elif opcode.endswith("_AT"):
        first = "array_semantics"
    elif opcode.startswith("F_") or "FLOAT" in opcode:
        first = "float_semantics"
    elif opcode in ("RET", "IN", "OUT", "JUMP", "MOVE"):
        first = "good_programs"
    names = sorted(TESTS, key=lambda name: name != first)
    return [TESTS[name] for name in names]


def copy_tree(target: Path) -> None:
    """What the tests need, in a folder of its own."""
    for name in _COPIED:
        source = ROOT / name
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, target / name)


def _run_tests(tree: Path, tests: Sequence[str]) -> None:
    """In a child process: run the tests of `tree` and exit with pytest's status."""
    signal.alarm(TIME_LIMIT_S)
    os.chdir(tree)
    for name in [name for name in sys.modules if name.split(".")[0] in ("controllers", "targets", "tests")]:
        del sys.modules[name]
    sys.path.insert(0, str(tree))
    sys.dont_write_bytecode = True
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    options = ["-x", "-q", "--assert=plain", "-p", "no:cacheprovider", "-W", "ignore"]
    status = pytest.main([*options, *tests])
    os._exit(int(status))


def is_killed(tree: Path, opcode: str) -> bool:
    """Whether the tests of `tree` notice; those that deal with the opcode are asked first, alone."""
    first, *others = tests_for(opcode)
    return _fail(tree, opcode, [first]) or _fail(tree, opcode, others)


def _fail(tree: Path, opcode: str, tests: Sequence[str]) -> bool:
    """Whether a test fails. Raises RuntimeError where they do not even run."""
    child = os.fork()
    if child == 0:
        _run_tests(tree, tests)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):  # the time is up: the mutant never ends
        return os.WTERMSIG(status) == signal.SIGALRM
    if (code := os.WEXITSTATUS(status)) not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        raise RuntimeError(f"{opcode}: pytest ended with status {code}")
    return code == pytest.ExitCode.TESTS_FAILED


def hunt(mutants: Sequence[Mutant]) -> Iterator[tuple[Mutant, bool]]:
    """Each mutant, and whether it was killed. Raises RuntimeError where the unchanged tree fails already."""
    if os.environ.get("NUMBA_DISABLE_JIT") != "1":
        raise RuntimeError("set NUMBA_DISABLE_JIT=1: the tests of a mutant run as plain Python")
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder)
        copy_tree(tree)
        compileall.compile_dir(folder, quiet=2, invalidation_mode=py_compile.PycInvalidationMode.CHECKED_HASH)
        os.environ |= {"TICKSPIN_JUDGES": folder, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
        for module in _HEAVY:  # imported once, here: every mutant's tests run in a fork of this process
            importlib.import_module(module)
        if is_killed(tree, "ADD"):
            raise RuntimeError("the tests fail without any mutant")
        for mutant in mutants:
            path = tree / mutant.file
            text = path.read_text(encoding="utf-8")
            path.write_text(mutated(text, mutant), encoding="utf-8")
            yield mutant, is_killed(tree, mutant.opcode)
            path.write_text(text, encoding="utf-8")


def main(names: Sequence[str]) -> int:
    """Print a line for each mutant; exit status 1 where one survives."""
    mutants = [mutant for mutant in all_mutants() if not names or mutant.opcode in names]
    survivors, began = 0, time.perf_counter()
    for mutant, killed in hunt(mutants):
        survivors += not killed
        print(f"{mutant.opcode:16} {'killed' if killed else 'SURVIVED':9} {mutant.what}", flush=True)
    minutes = (time.perf_counter() - began) / 60
    opcodes = len({mutant.opcode for mutant in mutants})
    print(f"{len(mutants)} mutants of {opcodes} opcodes, {survivors} survived, {minutes:.1f} min")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
