"""Test vectors of a Program: random states and inputs; corners, the program's own constants, and everything
between.

vectors.csv: a first line that begins with #, a line of column names, then one vector a row:
    handler          name of the handler that is called
    before NAME      static variable or element before the call, a column each; floats in C's hexadecimal
                     notation (7.20.1.3), which is exact
    inputs           what the hardware functions return, in the order of the calls, with blanks between
    outputs          hardware functions called with a value, in order: name=value, with blanks between
    after NAME       static variable or element after the call
"""

from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy as np

from controllers.c.hardware import function_of
from controllers.kinds import F32, I32, MACHINE_KINDS, Kind
from controllers.play import READ, WRITTEN, Calls, play, random_inputs_shape
from controllers.ports import OUT_PORTS
from controllers.program import SLOT_CONST, Program

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
        if kind.is_float:
            before_real[:, column] = _floats(draw, kind, count, program)
        else:
            before[:, column] = _integers(draw, kind, count, program)
    shape = random_inputs_shape(program, count)
    inputs = _integers(draw, I32, shape[0] * shape[1], program).reshape(shape)
    return play(program, pcs[np.arange(count) % len(pcs)], before, before_real, inputs)


def _constants(program: Program, is_float: bool) -> Any:
    """The constants of the program: what its comparisons are about."""
    slots = [
        slot
        for slot, slot_class in enumerate(program.slot_class)
        if slot_class == SLOT_CONST and MACHINE_KINDS[program.slot_kinds[slot]].is_float == is_float
    ]
    return (program.floats if is_float else program.ints)[slots]


def _integers(draw: np.random.Generator, kind: Kind, count: int, program: Program) -> Any:
    """A quarter each: powers of two and their neighbours, the program's constants and their neighbours,
    uniform, and any number of leading bits gone."""
    powers = [sign << n for n in range(kind.bits) for sign in (-1, 1)]
    uniform = draw.integers(kind.low, kind.high, size=count, endpoint=True)
    bits_gone = draw.integers(0, kind.bits, size=count)
    small = draw.integers(kind.low, kind.high, size=count, endpoint=True) >> bits_gone
    pools = [
        draw.choice(_near(powers, kind), size=count),
        draw.choice(_near(_constants(program, is_float=False), kind), size=count),
        uniform,
        small,
    ]
    return np.choose(draw.integers(0, len(pools), size=count), pools)


def _near(values: Iterable[int], kind: Kind) -> Any:
    """Values of the kind among the given ones and their neighbours, with the ends of the kind and 0."""
    near = {int(value) + edge for value in values for edge in _EDGES} | {kind.low, 0, kind.high}
    return np.array(sorted(value for value in near if kind.low <= value <= kind.high))


def _floats(draw: np.random.Generator, kind: Kind, count: int, program: Program) -> Any:
    """A quarter each: special values and the program's constants, whole numbers of the size that a law works
    with, numbers near them, and any exponent the kind has."""
    low, high = _SINGLE_EXPONENTS if kind.bits == F32.bits else _DOUBLE_EXPONENTS
    own = np.float32 if kind.bits == F32.bits else np.float64
    limits = np.finfo(own)
    ends = (limits.max, limits.min, limits.tiny, limits.smallest_subnormal)
    whole = np.trunc(np.exp2(draw.uniform(0, 34, size=count))) * draw.choice([-1.0, 1.0], size=count)
    exponents = draw.integers(low, high, size=count, endpoint=True)
    pools = [
        draw.choice(np.array([*_SPECIAL, *ends, *_constants(program, is_float=True)]), size=count),
        whole,
        whole * draw.uniform(0, 2, size=count),
        np.ldexp(draw.uniform(-1, 1, size=count), exponents),
    ]
    with np.errstate(over="ignore"):
        return np.choose(draw.integers(0, len(pools), size=count), pools).astype(own).astype(np.float64)


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
