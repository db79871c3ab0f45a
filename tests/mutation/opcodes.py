"""Mutants of the machine: every opcode done a little wrong, and whether the semantic tests notice.

    NUMBA_DISABLE_JIT=1 python -m tests.mutation.opcodes [OPCODE ...]

A mutant is one change of text in `machine.py`, `narrow.py` or `wide.py` of `controllers`; it lives in a fork
of this process, and no file is touched. The kernels run as plain Python, so that nothing is compiled, and the
tests stop at the first failure. A mutant that no test notices has survived: a test is missing, or the change
makes no difference.
"""

import functools
import os
import re
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, NamedTuple

import pytest

from controllers import machine, narrow, wide
from controllers.opcodes import OPCODES

ROOT: Final = Path(__file__).resolve().parents[2]
MACHINE: Final = "controllers/machine.py"
NARROW: Final = "controllers/narrow.py"
WIDE: Final = "controllers/wide.py"
TESTS: Final = {
    name: f"tests/controllers/test_{name}.py"
    for name in (
        "integer_semantics", "wide_semantics", "float_semantics", "fixed_semantics", "fixed_rules",
        "array_semantics", "good_programs",
    )
}  # fmt: skip
TIME_LIMIT_S: Final = 180
_BROKEN: Final = 3


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
_OTHER_SLOT: Final = "first operand read from b"
RULES: Final = (
    Rule(_SWAP, r"(ints|floats)\[a\](.*)\1\[b\]", r"\1[b]\2\1[a]"),
    Rule(_OTHER_SLOT, r"\[a\]", "[b]"),
    Rule("operand read from the result", r"\[a\]", "[dst]"),
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
# rules that change nothing: what commutes is swapped; column b is unused, 0, and slot 0 may be the operand
_IDLE: Final = {(opcode, _SWAP) for opcode in _COMMUTE} | {
    (opcode.name, _OTHER_SLOT) for opcode in OPCODES if opcode.shape[2] != "slot"
}

_COUNTED: Final = "+= 1"
HELPERS: Final = (
    Mutant("RET", "does not stop", MACHINE, "run*", "op == RET or ", ""),
    Mutant("IN", "does not stop", MACHINE, "run*", "op == IN or ", ""),
    Mutant("OUT", "does not stop", MACHINE, "run*", " or op == OUT", ""),
    Mutant("F_ADD", "not rounded", NARROW, "rounded", "kind == _SINGLE", "kind == -1"),
    Mutant("F_SUB", "infinity not counted", NARROW, "store_float", _COUNTED, "+= 0"),
    Mutant("F_MUL", "one infinity not counted", NARROW, "store_float", "abs(result)", "result"),
    Mutant("F_DIV", "zero not counted", NARROW, "divide_float", _COUNTED, "+= 0"),
    Mutant("F_DIV", "x/0 is 0", NARROW, "divide_float",
           "        floats[dst] = x / y", "        floats[dst] = 0.0"),
    Mutant("DIV", "floors", NARROW, "truncated_quotient", "else -size", "else -size - 1"),
    Mutant("DIV", "zero not counted", NARROW, "divide", _COUNTED, "+= 0"),
    Mutant("DIV", "x/0 is x", NARROW, "divide", "ints[dst] = 0", "ints[dst] = x"),
    Mutant("DIV_SHIFT", "counted twice", NARROW, "divide", _COUNTED, "+= 2"),
    Mutant("MOD", "zero not counted", NARROW, "remainder", _COUNTED, "+= 0"),
    Mutant("MOD", "x%0 is x", NARROW, "remainder", "ints[dst] = 0", "ints[dst] = x"),
    Mutant("MOD", "sign of the divisor", NARROW, "remainder", "x - truncated_quotient(x, y) * y", "x % y"),
    Mutant("ADD", "wrap not counted", NARROW, "store_counted", _COUNTED, "+= 0"),
    Mutant("SUB", "wrap not made", NARROW, "store_counted", "ints[dst] = wrapped", "ints[dst] = exact"),
    Mutant("CONVERT", "toward zero", NARROW, "rescaled", "value >> -bits", "int(value / (1 << -bits))"),
    Mutant("FLOAT_TO_INT", "floors", NARROW, "store_truncated", "np.trunc", "np.floor"),
    Mutant("FLOAT_TO_INT", "not counted", NARROW, "store_truncated", _COUNTED, "+= 0"),
    Mutant("FLOAT_TO_INT", "NaN is not 0", NARROW, "saturated", "else 0", "else 1"),
    Mutant("SAT_FROM_FLOAT", "highest value one off", NARROW, "saturated", "int(_HIGH[kind])",
           "int(_HIGH[kind]) - 1"),
    Mutant("SAT_FROM_FLOAT", "lowest value is 0", NARROW, "saturated", "int(_LOW[kind])", "0"),
    Mutant("LOAD_AT", "reaches one further", NARROW, "element", "index < length", "index <= length"),
    Mutant("LOAD_AT", "not counted", NARROW, "element", _COUNTED, "+= 0"),
    Mutant("STORE_AT", "first element instead of last", NARROW, "element", "base + length - 1", "base"),
    Mutant("F_LOAD_AT", "counted twice", NARROW, "element", _COUNTED, "+= 2"),
    Mutant("F_STORE_AT", "one behind", NARROW, "element", "base + index", "base + index - 1"),
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


def first_test(opcode: str) -> str:
    """Name in TESTS of the tests that deal with the opcode: they are asked first."""
    if opcode.startswith(("WIDE_", "SAT_", "MUL_WIDE", "WRAP_CONVERT")):
        return "wide_semantics"
    if opcode.endswith("_AT"):
        return "array_semantics"
    if opcode.startswith("F_") or "FLOAT" in opcode:
        return "float_semantics"
    if opcode.endswith("_SHIFT"):
        return "fixed_semantics"
    if opcode in ("RET", "IN", "OUT", "JUMP", "MOVE"):
        return "good_programs"
    return "integer_semantics"


def distance(opcode: str, item: pytest.Item) -> tuple[bool, ...]:
    """Order of the tests: those whose file and name speak of the opcode come first."""
    word = re.sub(r"^(wide_|f_)?(jump_)?", "", opcode.lower())
    return first_test(opcode) not in item.nodeid, f"-{word}]" not in item.name, word[:4] not in item.name


class Hunt:
    """A pytest plugin: the tests are collected once, and run in a fork of the process for each mutant."""

    def __init__(self, mutants: Sequence[Mutant]) -> None:
        self.mutants = mutants
        self.survivors: list[Mutant] = []

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Each mutant, and whether it was killed. Raises RuntimeError where the unchanged tests fail."""
        for mutant in self.mutants:
            killed = is_killed(session, mutant)
            print(f"{mutant.opcode:16} {'killed' if killed else 'SURVIVED':9} {mutant.what}", flush=True)
            self.survivors += [] if killed else [mutant]
        if is_killed(session, None):
            raise RuntimeError("the tests fail without any mutant")
        return True


def is_killed(session: pytest.Session, mutant: Mutant | None) -> bool:
    """Whether a test fails, or none ends within the time."""
    child = os.fork()
    if child == 0:
        try:
            _run_tests(session, mutant)
        finally:
            os._exit(_BROKEN)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGALRM:
        return True
    if (code := os.waitstatus_to_exitcode(status)) not in (0, 1):
        raise RuntimeError(f"{mutant}: the tests ended with status {code}")
    return code == 1


def _run_tests(session: pytest.Session, mutant: Mutant | None) -> None:
    """In a child process: put the mutant in place, run the tests, end at the first failure."""
    signal.alarm(TIME_LIMIT_S)
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    items = session.items
    if mutant is not None:
        put_in_place(mutant)
        items = sorted(items, key=functools.partial(distance, mutant.opcode))
    for item, following in zip(items, [*items[1:], None], strict=True):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        if session.testsfailed:
            os._exit(1)
    os._exit(0)


def put_in_place(mutant: Mutant) -> None:
    """Define the kernels of this process anew, one of them changed; no file is touched."""
    for file, module in ((WIDE, wide), (NARROW, narrow), (MACHINE, machine)):
        text = (ROOT / file).read_text(encoding="utf-8")
        text = mutated(text, mutant) if file == mutant.file else text
        exec(compile(text, file, "exec"), vars(module))


def main(names: Sequence[str]) -> int:
    """Print a line for each mutant; exit status 1 where one survives."""
    if os.environ.get("NUMBA_DISABLE_JIT") != "1":
        print("set NUMBA_DISABLE_JIT=1: the tests of a mutant run as plain Python")
        return 2
    mutants = [mutant for mutant in all_mutants() if not names or mutant.opcode in names]
    hunt, began = Hunt(mutants), time.perf_counter()
    options = [
        "-q",
        "-s",
        "--tb=no",
        "--assert=plain",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:xdist",
        "-W",
        "ignore",
    ]
    with tempfile.TemporaryDirectory() as folder:
        os.environ["TICKSPIN_JUDGES"] = folder
        status = pytest.main([*options, *(str(ROOT / path) for path in TESTS.values())], plugins=[hunt])
    minutes = (time.perf_counter() - began) / 60
    opcodes = len({mutant.opcode for mutant in mutants})
    print(f"{len(mutants)} mutants of {opcodes} opcodes, {len(hunt.survivors)} survived, {minutes:.1f} min")
    return 1 if hunt.survivors or status == pytest.ExitCode.INTERNAL_ERROR else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
