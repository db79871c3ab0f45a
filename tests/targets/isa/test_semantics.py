"""What the cores compute against what gcc on this machine computes from the same C."""

from __future__ import annotations

import ctypes
import functools
import random
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from targets.isa.operands import draw
from targets.isa.values import C_TYPES, KIND_BYTES, from_bits, to_bits
from tests.targets.isa.support import TARGET_CORES, shared_machine

INTEGERS = [kind for kind in C_TYPES if not kind.startswith("f")]
FLOATS = ("f32", "f64")
OPERATORS = {
    "add": "+",
    "sub": "-",
    "mul": "*",
    "div": "/",
    "mod": "%",
    "and": "&",
    "xor": "^",
    "lt": "<",
    "eq": "==",
}
PAIRS_PER_OPERATION = 40


def _functions() -> dict[str, tuple[str, str]]:
    """Function name -> (C definition, signature)."""
    rows: dict[str, tuple[str, str]] = {}
    for kind, c_type in C_TYPES.items():
        for word, operator in OPERATORS.items():
            if kind in FLOATS and word in ("mod", "and", "xor"):
                continue
            result = "u8" if word in ("lt", "eq") else kind
            text = f"{C_TYPES[result]} {kind}_{word}({c_type} a, {c_type} b) {{ return a {operator} b; }}\n"
            rows[f"{kind}_{word}"] = (text, f"{kind} {kind} -> {result}")
        for other, other_type in C_TYPES.items():
            text = f"{other_type} {kind}_to_{other}({c_type} a, {c_type} b) {{ return ({other_type})a; }}\n"
            rows[f"{kind}_to_{other}"] = (text, f"{kind} {kind} -> {other}")
        if kind in INTEGERS:
            body = f"return ({c_type})(a << (b & 7)) >> (a & 3);"
            text = f"{c_type} {kind}_shift({c_type} a, {c_type} b) {{ {body} }}\n"
            rows[f"{kind}_shift"] = (text, f"{kind} {kind} -> {kind}")
    return rows


FUNCTIONS = _functions()
SOURCE = "#include <stdint.h>\n" + "".join(text for text, _ in FUNCTIONS.values())
C_TYPES_HERE = {
    "u8": ctypes.c_uint8, "i8": ctypes.c_int8, "u16": ctypes.c_uint16, "i16": ctypes.c_int16,
    "u32": ctypes.c_uint32, "i32": ctypes.c_int32, "u64": ctypes.c_uint64, "i64": ctypes.c_int64,
    "f32": ctypes.c_float, "f64": ctypes.c_double,
}  # fmt: skip


@functools.cache
def host_library() -> ctypes.CDLL:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed: nothing to compare with")
    folder = Path(tempfile.mkdtemp(prefix="tickspin_isa_"))
    (folder / "host.c").write_text(SOURCE)
    subprocess.run(
        ["gcc", "-O1", "-fwrapv", "-shared", "-fPIC", "-o", "host.so", "host.c"], cwd=folder, check=True
    )
    return ctypes.CDLL(str(folder / "host.so"))


def host_result(name: str, signature: str, a: float, b: float) -> int | float:
    kind, _, _, result = signature.split()
    function = getattr(host_library(), name)
    function.argtypes = [C_TYPES_HERE[kind]] * 2
    function.restype = C_TYPES_HERE[result]
    value: int | float = function(a, b)
    return value


def in_range(name: str, a: float) -> bool:
    """Whether C defines the conversion of a float to an integer (6.3.1.4)."""
    source, _, target = name.partition("_to_")
    if source not in FLOATS or target in FLOATS or not target:
        return True
    bits, signed = 8 * KIND_BYTES[target], target.startswith("i")
    return -(1 << (bits - 1)) * signed <= int(a) < 1 << (bits - signed)


def as_held(kind: str, value: float, size_bytes: int) -> int | float:
    """The operand as the core holds it: rounded to float32 where double has 4 bytes."""
    return from_bits(to_bits(value, kind, size_bytes), kind, size_bytes)


@pytest.mark.parametrize("core", TARGET_CORES)
@pytest.mark.parametrize("kind", list(C_TYPES))
def test_every_operation_gives_the_value_that_the_host_gives(kind: str, core: str) -> None:
    machine = shared_machine(SOURCE, core)
    short_doubles = machine.size_bytes("f64") == 4
    rng = random.Random(kind)
    for name in (name for name in FUNCTIONS if name.startswith(f"{kind}_")):
        signature = FUNCTIONS[name][1]
        # A 4-byte double computes what the host computes in float.
        host_name, host_signature = name, signature
        if short_doubles:
            host_name, host_signature = name.replace("f64", "f32"), signature.replace("f64", "f32")
        if host_name not in FUNCTIONS:
            continue
        result = signature.split()[-1]
        for _ in range(PAIRS_PER_OPERATION):
            a, b = (as_held(kind, draw(kind, rng), machine.size_bytes(kind)) for _ in range(2))
            if (name.endswith(("_div", "_mod")) and b == 0) or not in_range(name, a):
                continue
            expected = host_result(host_name, host_signature, a, b)
            found = machine.call(name, a, b, signature=signature).value
            size = machine.size_bytes(result)
            assert found is not None
            assert to_bits(found, result, size) == to_bits(expected, result, size), (name, a, b)
