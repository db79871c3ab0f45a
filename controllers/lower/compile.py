"""The compiler: law file and binding in, Program out."""

import types as python_types
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from controllers import opcodes
from controllers.binding import Binding, check_binding
from controllers.kinds import U8
from controllers.lower.assemble import assemble
from controllers.lower.constants import OutOfRangeError, encode, is_exact, nearest_integer
from controllers.lower.emitter import Emitter, Row, Slot
from controllers.lower.parameters import bind_parameter, check_parameter_names
from controllers.lower.scope import ConstantName, Scope, StaticName, Symbol, describe, range_of
from controllers.lower.statements import lower_method
from controllers.lower.types import Type, Types, bind_types
from controllers.parse import parse_law
from controllers.parse.source import RefusedError
from controllers.parse.tree import Constant, Declaration, Law, Parameter, Variable
from controllers.ports import STEP_OFF
from controllers.program import HANDLERS, SLOT_STATIC, Program, Rounding
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
    return _program(law, scope, rows, handlers)


def _new_scope(law: Law, types: Types, binding: Binding) -> Scope:
    emitter = Emitter()
    rounding: list[Rounding] = []
    symbols: dict[str, Symbol | None] = {}
    check_parameter_names(law, binding)
    for name, declaration in law.declarations.items():
        try:
            symbols[name] = _declare(law, declaration, types, binding, emitter, rounding)
        except RefusedError:
            symbols[name] = None
    return Scope(law.source, types, emitter, symbols, law.methods, _hw_values(types, binding), rounding)


def _declare(
    law: Law,
    declaration: Declaration,
    types: Types,
    binding: Binding,
    emitter: Emitter,
    rounding: list[Rounding],
) -> Symbol:
    if isinstance(declaration, Parameter):
        symbol, report = bind_parameter(law, declaration, types, binding)
        rounding.extend([report] if report else [])
        return symbol
    kind = types.resolve(law.source, declaration.kind)
    value = declaration.value if isinstance(declaration, Constant) else declaration.initial
    try:
        stored = encode(value, kind.kind)
    except OutOfRangeError:
        raise _refuse_initial(law, declaration, kind, value) from None
    if not is_exact(value, stored, kind.kind):
        held = float(stored) / (1 << kind.kind.fraction_bits)
        rounding.append(Rounding(declaration.name, float(value), held, ""))
    if isinstance(declaration, Constant):
        return ConstantName(kind, stored)
    return StaticName(kind, emitter.static(declaration.name, kind.kind, stored))


def _refuse_initial(law: Law, declaration: Constant | Variable, kind: Type, value: float) -> RefusedError:
    return law.source.refuse(
        declaration.at, f"a constant fits {describe(kind)}", f"{value:g}", f"stay within {range_of(kind)}"
    )


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
            lower_method(scope, name, end)
            scope.emitter.place(end)
            scope.emitter.emit(opcodes.RET, U8)
    return entries


def _check_methods(law: Law, called: set[str]) -> None:
    if _REQUIRED_HANDLER not in law.methods:
        law.source.refuse(
            law.at, f"a law has {_REQUIRED_HANDLER}", "none", f"write def {_REQUIRED_HANDLER}(self):"
        )
    for name, method in law.methods.items():
        if name not in called:
            remedy = f"call it, or name it {', '.join(HANDLERS)}"
            law.source.refuse(method.at, "a method is a handler or is called by one", name, remedy)


def _program(law: Law, scope: Scope, rows: Sequence[Row], handlers: dict[str, int]) -> Program:
    slots = scope.emitter.slots
    statics = {slot.name: number for number, slot in enumerate(slots) if slot.slot_class == SLOT_STATIC}
    return Program(
        name=law.name,
        summary=law.summary,
        arithmetic=scope.types.number.kind.name,
        code=np.array([(r.op, r.kind, r.dst, r.a, r.b, r.extra) for r in rows], dtype=np.int32),
        lines=np.array([row.line for row in rows], dtype=np.int32),
        ints=_image(slots, np.int64, is_float=False),
        floats=_image(slots, np.float64, is_float=True),
        slot_kinds=np.array([slot.kind.index for slot in slots], dtype=np.int8),
        slot_fraction_bits=np.array([slot.kind.fraction_bits for slot in slots], dtype=np.int8),
        slot_class=np.array([slot.slot_class for slot in slots], dtype=np.int8),
        slot_names=tuple(slot.name for slot in slots),
        statics=python_types.MappingProxyType(statics),
        handlers=python_types.MappingProxyType(handlers),
        rounding=tuple(scope.rounding),
        source=law.source.lines,
    )


def _image(slots: Sequence[Slot], dtype: Any, is_float: bool) -> Any:
    """Initial values of the slots of one image; the slots of the other one are 0. At least one slot."""
    values = [slot.initial if slot.kind.is_float == is_float else 0 for slot in slots]
    return np.array(values or [0], dtype=dtype)
