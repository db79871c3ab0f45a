"""The compiler: law file and binding in, Program out."""

import types as python_types
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from controllers import opcodes
from controllers.binding import Binding, check_binding
from controllers.kinds import I64, U8
from controllers.lower.assemble import assemble
from controllers.lower.constants import (
    OutOfRangeError,
    Stored,
    decode,
    encode,
    fold_wrap,
    is_exact,
    nearest_integer,
)
from controllers.lower.emitter import Emitter, Row, Slot
from controllers.lower.parameters import bind_parameter, check_parameter_names
from controllers.lower.prune import prune
from controllers.lower.scope import (
    ArrayName,
    ConstantName,
    Reports,
    Scope,
    StaticName,
    Symbol,
    describe,
    number_text,
    range_of,
)
from controllers.lower.statements import lower_body, lower_handler
from controllers.lower.types import Type, Types, bind_types
from controllers.parse import parse_law
from controllers.parse.source import RefusedError
from controllers.parse.tree import Array, Constant, Declaration, Law, Parameter, Table, Variable
from controllers.ports import STEP_OFF
from controllers.program import HANDLERS, SLOT_CONST, SLOT_STATIC, Program, Rounding
from targets.errors import Fault, InputError

_REQUIRED_HANDLER = "on_start"


def compile_law(path: Path, binding: Binding) -> Program:
    """Compile the law file at `path` for one arithmetic, timer, motor and set of parameters.

    Raises:
        InputError: with every fault found, at file:line:col or firmware.KEY.
    """
    check_binding(binding)
    types = bind_types(binding)
    law = parse_law(path)
    scope = _new_scope(law, types, binding)
    entries = _lower_handlers(scope)
    _check_methods(law, scope.called)
    law.source.raise_faults()
    rows, places = assemble(scope.emitter.rows, scope.emitter.labels, list(entries.values()))
    handlers = dict(zip(entries, places, strict=True))
    return _program(law, scope, binding, rows, handlers)


def _new_scope(law: Law, types: Types, binding: Binding) -> Scope:
    emitter = Emitter()
    reports = Reports()
    symbols: dict[str, Symbol | None] = {}
    check_parameter_names(law, binding)
    for name, declaration in law.declarations.items():
        try:
            symbols[name] = _declare(law, declaration, types, binding, emitter, reports)
        except RefusedError:
            symbols[name] = None
    hw_values = _hw_values(types, binding)
    return Scope(law.source, types, emitter, symbols, law.methods, hw_values, lower_body, reports)


def _declare(
    law: Law,
    declaration: Declaration,
    types: Types,
    binding: Binding,
    emitter: Emitter,
    reports: Reports,
) -> Symbol:
    if isinstance(declaration, Parameter):
        bound = bind_parameter(law, declaration, types, binding)
        reports.rounding.extend([bound.rounding] if bound.rounding else [])
        reports.fitted.update({declaration.key: bound.fitted} if bound.fitted is not None else {})
        return bound.symbol
    kind = types.resolve(law.source, declaration.kind)
    if isinstance(declaration, Table):
        values = [_stored(law, declaration, kind, value, reports) for value in declaration.values]
        slot = emitter.row(declaration.name, kind.kind, SLOT_CONST, values)
        return ArrayName(kind, slot, len(values), tuple(values))
    value = declaration.value if isinstance(declaration, Constant) else declaration.initial
    stored = _stored(law, declaration, kind, value, reports)
    if isinstance(declaration, Constant):
        return ConstantName(kind, stored)
    if isinstance(declaration, Array):
        slot = emitter.row(declaration.name, kind.kind, SLOT_STATIC, [stored] * declaration.length)
        return ArrayName(kind, slot, declaration.length)
    return StaticName(kind, emitter.static(declaration.name, kind.kind, stored))


def _stored(
    law: Law,
    declaration: Constant | Variable | Array | Table,
    kind: Type,
    value: float,
    reports: Reports,
) -> Stored:
    """A declared value in its kind, refused where it does not fit, reported where it is rounded."""
    try:
        stored = encode(value, kind.kind)
    except OutOfRangeError:
        rule = f"a constant fits {describe(kind)}"
        raise law.source.refuse(
            declaration.at, rule, number_text(value), f"stay within {range_of(kind)}"
        ) from None
    if not is_exact(value, stored, kind.kind):
        reports.rounding.append(Rounding(declaration.name, float(value), decode(stored, kind.kind), ""))
    return stored


def _hw_values(types: Types, binding: Binding) -> Mapping[str, ConstantName]:
    """Design constants. rpm_ticks = 60 tick_Hz / pole_pairs: speed in rpm = rpm_ticks / (ticks per turn)."""
    rpm_ticks = nearest_integer(60.0 * binding.tick_Hz / binding.pole_pairs)
    if rpm_ticks >= 1 << 32:
        raise InputError([Fault("firmware.tick_Hz", "60 tick_Hz / pole_pairs fits u32", f"{rpm_ticks}",
                                "use a larger prescaler")])  # fmt: skip
    return {
        "duty_top": ConstantName(types.named("u16"), binding.duty_top),
        "timer_top": ConstantName(types.ticks, (1 << binding.timer_bits) - 1),
        "rpm_ticks": ConstantName(types.named("u32"), rpm_ticks),
        "STEP_OFF": ConstantName(types.named("u8"), STEP_OFF),
    }


def _lower_handlers(scope: Scope) -> dict[str, int]:
    """Compile each handler the law has; first pc of each."""
    entries: dict[str, int] = {}
    for name in HANDLERS:
        if name in scope.methods:
            entries[name] = scope.emitter.begin_handler()
            end = scope.emitter.new_label()
            lower_handler(scope, name, end)
            scope.emitter.place(end)
            scope.emitter.emit(opcodes.RET, U8)
    return entries


def _check_methods(law: Law, called: set[str]) -> None:
    if _REQUIRED_HANDLER not in law.methods:
        law.source.refuse(
            law.at, f"a law has {_REQUIRED_HANDLER}", "none", f"write def {_REQUIRED_HANDLER}(self):"
        )
    own_path = law.source.files[0].path
    for name, method in law.methods.items():
        if name not in called and law.source.place_of(method.at.line)[0] == own_path:
            remedy = f"call it, or name it {', '.join(HANDLERS)}"
            law.source.refuse(method.at, "a method is a handler or is called by one", name, remedy)


def _program(
    law: Law, scope: Scope, binding: Binding, rows: Sequence[Row], handlers: dict[str, int]
) -> Program:
    declared = {name: (s.slot, s.length) for name, s in scope.symbols.items() if isinstance(s, ArrayName)}
    rows, slots, arrays = prune(rows, scope.emitter.slots, declared)
    statics = {slot.name: number for number, slot in enumerate(slots) if slot.slot_class == SLOT_STATIC}
    return Program(
        name=law.name,
        summary=law.summary,
        arithmetic=scope.types.number.kind.name,
        binding=binding,
        code=np.array([(r.op, r.kind, r.dst, r.a, r.b, r.extra) for r in rows], dtype=np.int32),
        lines=np.array([row.line for row in rows], dtype=np.int32),
        ints=_image(slots, np.int64, is_float=False),
        floats=_image(slots, np.float64, is_float=True),
        slot_kinds=np.array([slot.kind.index for slot in slots], dtype=np.int8),
        slot_fraction_bits=np.array([slot.kind.fraction_bits for slot in slots], dtype=np.int8),
        slot_class=np.array([slot.slot_class for slot in slots], dtype=np.int8),
        slot_names=tuple(slot.name for slot in slots),
        arrays=python_types.MappingProxyType(arrays),
        statics=python_types.MappingProxyType(statics),
        handlers=python_types.MappingProxyType(handlers),
        rounding=tuple(scope.reports.rounding),
        fitted=python_types.MappingProxyType(scope.reports.fitted),
        source=law.source.lines,
        files=tuple((file.path.name, file.before) for file in law.source.files),
        sensors=law.sensors,
    )


def _image(slots: Sequence[Slot], dtype: Any, is_float: bool) -> Any:
    """Initial values of the slots of one image; the slots of the other one are 0. At least one slot."""
    values = [_cell(slot) if slot.kind.is_float == is_float else 0 for slot in slots]
    return np.array(values or [0], dtype=dtype)


def _cell(slot: Slot) -> Stored:
    """Content of a slot image: u64 stands as the bit pattern of an int64."""
    if slot.kind.is_wide:
        return fold_wrap("+", int(slot.initial), 0, I64)
    return slot.initial
