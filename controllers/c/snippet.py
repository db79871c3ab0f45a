"""One vector as a C program of its own, to be compiled beside the exported files."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from controllers.c.body import comment, safe
from controllers.c.hardware import used_ports
from controllers.c.vectors import static_kinds
from controllers.kinds import Kind
from controllers.play import READ, WRITTEN, Calls, play, random_inputs_shape
from controllers.program import Program

_HEAD: Final = """\
/*
 * One call of %(handler)s: %(found)s
 * Says "as found" and ends with 0 while the law does this, bit for bit; names the first difference and ends
 * with 1 once it does something else.
 * Save it outside of the folder of the exported files, which have a main of their own, and export with the
 * same arithmetic, target, prescaler and scenario: gcc -std=c99 -I FOLDER THIS_FILE.c && ./a.out
 */
#define main replay_main
#include "replay.c"
#undef main

int main(void)
{
"""


_TAIL: Final = """\
    };
    int same = replay_vector(&vector);
    printf("%s\\n", same ? "as found" : "not as found");
    return same ? 0 : 1;
}
"""


def c_vector(
    program: Program, handler: str, state: Mapping[str, float], inputs: Sequence[int], found: str
) -> str:
    """A C program that calls one handler from a given state and compares with what the machine does.

    It stands in one file and includes the exported replay.c: `gcc -std=c99 -I DIR file.c`; says "as found",
    exit status 0, where the C agrees; else names the first mismatch, exit status 1.

    Args:
        handler: one of `program.handlers`.
        state: stored value of static variables and elements ("name[3]"); others have their initial value.
        inputs: what the hardware answers, in the order of the reads; 0 where more are read.
        found: what the call shows, for the comment at the top.
    """
    calls = _called(program, handler, state, inputs)
    names, kinds = list(program.statics), static_kinds(program)
    read, written = int(calls.counts[0, READ]), int(calls.counts[0, WRITTEN])
    places = {port.index: place for place, port in enumerate(used_ports(program)[1])}
    ports = [places[int(port)] for port in calls.ports[0, :written]]
    return "".join(
        [
            _HEAD % {"handler": handler, "found": safe(found)},
            "    static const struct vector vector = {\n",
            f"        .handler = {list(program.handlers).index(handler)},\n",
            _cells("before", names, kinds, calls.before[0], calls.before_real[0]),
            _row("reads", "inputs", calls.inputs[0, :read]),
            _row("writes", "values", calls.values[0, :written]),
            f"        .ports = {{{', '.join(map(str, ports)) or '0'}}},\n",
            _cells("after", names, kinds, calls.after[0], calls.after_real[0]),
            _TAIL,
        ]
    )


def _called(program: Program, handler: str, state: Mapping[str, float], inputs: Sequence[int]) -> Calls:
    before = np.zeros((1, len(program.statics)), np.int64)
    before_real = np.zeros((1, len(program.statics)))
    for column, (name, slot) in enumerate(program.statics.items()):
        before[0, column], before_real[0, column] = program.ints[slot], program.floats[slot]
        if name in state:
            is_float = static_kinds(program)[column].is_float
            (before_real if is_float else before)[0, column] = state[name]
    answers = np.zeros(random_inputs_shape(program, 1), np.int64)
    answers[0, : len(inputs)] = inputs
    return play(program, [program.handlers[handler]], before, before_real, answers)


def _cells(field: str, names: Sequence[str], kinds: Sequence[Kind], whole: Any, real: Any) -> str:
    lines = [
        f"            {_cell(kind, integer, number)}, {comment(name)}\n"
        for name, kind, integer, number in zip(names, kinds, whole, real, strict=True)
    ]
    return f"        .{field} = {{\n{''.join(lines) or '            {0, 0.0},' + chr(10)}        }},\n"


def _cell(kind: Kind, whole: int, real: float) -> str:
    if not kind.is_float:
        return f"{{{_whole(int(whole))}, 0.0}}"
    if np.isnan(real):
        return "{0, NAN}"
    return f"{{0, {'-' if real < 0 else ''}INFINITY}}" if np.isinf(real) else f"{{0, {float(real).hex()}}}"


def _whole(value: int) -> str:
    return f"{value}ll" if value != -(1 << 63) else "INT64_MIN"


def _row(count: str, field: str, values: Any) -> str:
    numbers = ", ".join(_whole(int(value)) for value in values) or "0"
    return f"        .{count} = {len(values)},\n        .{field} = {{{numbers}}},\n"
