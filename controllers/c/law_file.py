"""LAW.c: static variables, tables, the helper functions used, and the handlers."""

import re
from collections.abc import Iterator, Sequence
from typing import Final

from controllers.c.body import INDENT, comment, handler_text
from controllers.c.decide import decided
from controllers.c.fold import Symbols
from controllers.c.hardware import function_of, used_ports
from controllers.c.helpers import Helpers
from controllers.c.names import Names, identifier
from controllers.c.types import c_type, literal
from controllers.kinds import MACHINE_KINDS, Kind
from controllers.program import SLOT_STATIC, Program

_WIDTH: Final = 100


def file_stem(program: Program) -> str:
    """Name of the C files of a law, without suffix."""
    return identifier(program.name)


def shared_symbols(program: Program) -> Symbols:
    """C names of static variables, arrays and tables."""
    ports = [function_of(port.name) for side in used_ports(program) for port in side]
    names = Names(frozenset((*program.handlers, *ports)))
    arrays = {first: names.fresh(name) for name, (first, _) in program.arrays.items()}
    statics = {
        first + n: f"{arrays[first]}[{n}]" for first, length in program.arrays.values() for n in range(length)
    }
    for name, slot in program.statics.items():
        if slot not in statics:
            statics[slot] = names.fresh(name)
    return Symbols(statics, arrays, names.taken)


def law_text(program: Program, mark: str) -> str:
    """The C file of a law; `mark` is its first line."""
    symbols, helpers, plain = shared_symbols(program), Helpers(), decided(program)
    handlers = [handler_text(plain, symbols, helpers, name) for name in program.handlers]
    return "\n".join(
        [
            mark,
            f'#include "{file_stem(program)}.h"\n',
            *_variables(program, symbols),
            *([helpers.text] if helpers.text else []),
            *handlers,
        ]
    )


def _variables(program: Program, symbols: Symbols) -> Iterator[str]:
    lines = [_array_line(program, symbols, name) for name in program.arrays]
    elements = {slot for first, length in program.arrays.values() for slot in range(first, first + length)}
    lines += [
        _static_line(program, symbols, name) for name, s in program.statics.items() if s not in elements
    ]
    if lines:
        yield "\n".join(lines) + "\n"


def _static_line(program: Program, symbols: Symbols, name: str) -> str:
    slot = program.statics[name]
    kind = MACHINE_KINDS[program.slot_kinds[slot]]
    initial = literal(kind, _stored(program, slot, kind))
    return f"static {c_type(kind)} {symbols.statics[slot]} = {initial};{_declaration(program, name)}"


def _array_line(program: Program, symbols: Symbols, name: str) -> str:
    first, length = program.arrays[name]
    kind = MACHINE_KINDS[program.slot_kinds[first]]
    values = [literal(kind, _stored(program, slot, kind)) for slot in range(first, first + length)]
    word = "static" if program.slot_class[first] == SLOT_STATIC else "static const"
    head = f"{word} {c_type(kind)} {symbols.arrays[first]}[{length}] = {{"
    return f"{head}{_declaration(program, name)}\n{_wrapped(values)}\n}};"


def _wrapped(values: Sequence[str]) -> str:
    lines = [INDENT]
    for value in values:
        if len(lines[-1]) + len(value) > _WIDTH:
            lines.append(INDENT)
        lines[-1] += f"{value}, "
    return "\n".join(line.rstrip() for line in lines)


def _stored(program: Program, slot: int, kind: Kind) -> float:
    if kind.is_float:
        return float(program.floats[slot])
    value = int(program.ints[slot])
    return value + (1 << kind.bits) if value < kind.low else value


def _declaration(program: Program, name: str) -> str:
    """The law's own declaration, as a comment, where it stands in one line."""
    pattern = re.compile(rf"\s+{re.escape(name)}\s*=\s*(var|array|table)\(")
    found = next((line for line in program.source if pattern.match(line)), None)
    return f" {comment(found)}" if found and not found.rstrip().endswith(("(", ",")) else ""
