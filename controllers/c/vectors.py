"""Test vectors of a Program: random states and inputs, corners as likely as everything between.

vectors.csv: a first line that begins with #, a line of column names, then one vector a row:
    handler          name of the handler that is called
    before NAME      static variable or element before the call, a column each; floats in C's hexadecimal
                     notation (7.20.1.3), which is exact
    inputs           what the hardware functions return, in the order of the calls, with blanks between
    outputs          hardware functions called with a value, in order: name=value, with blanks between
    after NAME       static variable or element after the call
"""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from controllers.c.hardware import function_of
from controllers.kinds import MACHINE_KINDS, Kind
from controllers.play import READ, WRITTEN, Calls, play, random_inputs_shape
from controllers.ports import OUT_PORTS
from controllers.program import Program

_EDGES: Final = (-1, 0, 1)
_SINGLE_EXPONENTS: Final = (-149, 128)
_DOUBLE_EXPONENTS: Final = (-1074, 1024)
_SPECIAL: Final = (0.0, -0.0, 1.0, -1.0, 0.5, np.inf, -np.inf, np.nan)


def static_kinds(program: Program) -> list[Kind]:
    """Kind of each static variable, in the order of `Program.statics`."""
    return [MACHINE_KINDS[program.slot_kinds[slot]] for slot in program.statics.values()]


def random_calls(program: Program, count: int, seed: int) -> Calls:
    """`count` calls, the handlers in turn, from random states; the same seed gives the same calls."""
    draw = np.random.default_rng(seed)
    pcs = np.array(list(program.handlers.values()), dtype=np.int64)
    kinds = static_kinds(program)
    before = np.zeros((count, len(kinds)), np.int64)
    before_real = np.zeros((count, len(kinds)))
    for column, kind in enumerate(kinds):
        (before_real if kind.is_float else before)[:, column] = _values(draw, kind, count)
    words = MACHINE_KINDS[5]
    inputs = _values(draw, words, count * random_inputs_shape(program, count)[1])
    entries = pcs[np.arange(count) % len(pcs)]
    return play(program, entries, before, before_real, inputs.reshape(random_inputs_shape(program, count)))


def _values(draw: np.random.Generator, kind: Kind, count: int) -> Any:
    return _floats(draw, kind, count) if kind.is_float else _integers(draw, kind, count)


def _integers(draw: np.random.Generator, kind: Kind, count: int) -> Any:
    """A third each: powers of two and their neighbours, uniform, and any number of leading bits gone."""
    powers = [1 << n for n in range(kind.bits)]
    near = {sign * power + edge for power in powers for edge in _EDGES for sign in (-1, 1)}
    corners = sorted(v for v in near | {kind.low, kind.high, 0} if kind.low <= v <= kind.high)
    uniform = draw.integers(kind.low, kind.high, size=count, endpoint=True)
    small = draw.integers(kind.low, kind.high, size=count, endpoint=True) >> draw.integers(
        0, kind.bits, size=count
    )
    return np.choose(
        draw.integers(0, 3, size=count), [draw.choice(np.array(corners), size=count), uniform, small]
    )


def _floats(draw: np.random.Generator, kind: Kind, count: int) -> Any:
    """A quarter each: special values, whole numbers of the size that a law works with, numbers near them, and
    any exponent the kind has."""
    low, high = _SINGLE_EXPONENTS if kind.bits == 32 else _DOUBLE_EXPONENTS
    limits = np.finfo(np.float32 if kind.bits == 32 else np.float64)
    special = draw.choice(
        np.array([*_SPECIAL, limits.max, limits.min, limits.tiny, limits.smallest_subnormal]), size=count
    )
    whole = np.trunc(np.exp2(draw.uniform(0, 34, size=count))) * draw.choice([-1.0, 1.0], size=count)
    near = whole * draw.uniform(0, 2, size=count)
    any_size = np.ldexp(draw.uniform(-1, 1, size=count), draw.integers(low, high, size=count, endpoint=True))
    chosen = np.choose(draw.integers(0, 4, size=count), [special, whole, near, any_size])
    if kind.bits == 32:
        with np.errstate(over="ignore"):
            return chosen.astype(np.float32).astype(np.float64)
    return chosen


def csv_text(program: Program, calls: Calls, mark: str) -> str:
    """vectors.csv of some calls; `mark` is its first line."""
    names = list(program.statics)
    heads = ["handler", *(f"before {n}" for n in names), "inputs", "outputs", *(f"after {n}" for n in names)]
    return "\n".join([mark, ",".join(heads), *_rows(program, calls)]) + "\n"


def _rows(program: Program, calls: Calls) -> Iterator[str]:
    handler_at = {pc: name for name, pc in program.handlers.items()}
    kinds = static_kinds(program)
    for row in range(len(calls.entries)):
        read, written = int(calls.counts[row, READ]), int(calls.counts[row, WRITTEN])
        outputs = (
            f"{function_of(OUT_PORTS[int(port)].name)}={int(value)}"
            for port, value in zip(calls.ports[row, :written], calls.values[row, :written], strict=True)
        )
        yield ",".join(
            [
                handler_at[int(calls.entries[row])],
                *_cells(kinds, calls.before[row], calls.before_real[row]),
                " ".join(str(int(value)) for value in calls.inputs[row, :read]),
                " ".join(outputs),
                *_cells(kinds, calls.after[row], calls.after_real[row]),
            ]
        )


def _cells(kinds: list[Kind], whole: Any, real: Any) -> Iterator[str]:
    for kind, integer, number in zip(kinds, whole, real, strict=True):
        yield float(number).hex() if kind.is_float else str(int(integer))
