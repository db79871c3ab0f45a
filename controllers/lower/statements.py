"""Statements -> instructions. A bad statement is recorded and left out: all faults come in one list."""

from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Any, Final

from controllers import opcodes
from controllers.kinds import U8
from controllers.lower import elements, invoke
from controllers.lower.conditions import jump_unless
from controllers.lower.expressions import lower_expression, lower_typed, settled
from controllers.lower.scope import Frame, Operand, Scope, StaticName
from controllers.lower.types import Type
from controllers.parse.source import Position, RefusedError
from controllers.parse.tree import (
    Assign,
    Element,
    Expression,
    Guard,
    If,
    Invoke,
    Loop,
    Member,
    Method,
    Name,
    Return,
    Statement,
    Write,
)
from controllers.ports import OUT_MASK, OUT_PORTS

LOOP_LIMIT: Final = 64
_OUT_BY_NAME: Final = {port.name: port for port in OUT_PORTS if port.index != OUT_MASK}


def lower_block(scope: Scope, block: Iterable[Statement]) -> bool:
    """Compile statements in order; False where the end of the block is never reached."""
    for statement in block:
        scope.emitter.line = statement.at.line
        try:
            goes_on = _LOWER[type(statement)](scope, statement)
        except RefusedError:
            _poison(scope, statement)
            goes_on = not isinstance(statement, Return)
        scope.emitter.release()
        if not goes_on:
            return False
    return True


def lower_body(scope: Scope, method: Method) -> bool:
    """Compile the statements of a method; False where its end is never reached."""
    return lower_block(scope, method.body)


def lower_handler(scope: Scope, name: str, end: int) -> None:
    """Compile a handler; `return` goes to `end`."""
    method = scope.methods[name]
    if method.arguments or method.result:
        scope.source.refuse(method.at, "a handler takes self alone", name, "use variables of the class")
    invoke.in_frame(scope, method, Frame(name, end), lower_body)


def _poison(scope: Scope, statement: Statement) -> None:
    """A local whose assignment is refused has no type: its uses are not reported again."""
    if isinstance(statement, Assign) and isinstance(statement.target, Name):
        scope.frame.types.setdefault(statement.target.name, None)
        scope.frame.assigned.add(statement.target.name)


def _lower_assign(scope: Scope, node: Assign) -> bool:
    if isinstance(node.target, Element):
        _assign_element(scope, node.value, node.target)
    elif isinstance(node.target, Member):
        symbol = scope.symbols.get(node.target.name)
        if node.target.name in scope.symbols and symbol is None:
            raise RefusedError(node.target.name)
        if not isinstance(symbol, StaticName):
            rule = "only variables are assigned" if symbol else "a class variable is declared"
            raise scope.source.refuse(
                node.target.at, rule, node.target.name, "declare it with var(kind, value)"
            )
        _assign(scope, node.value, symbol.type, symbol.slot, node.target.name)
    else:
        _assign_local(scope, node, node.target)
    return True


def _assign(scope: Scope, value: Expression, wanted: Type, slot: int, name: str) -> None:
    operand = lower_typed(scope, value, wanted, name, slot)
    _move(scope, operand, wanted, slot)


def _move(scope: Scope, operand: Operand, wanted: Type, slot: int) -> None:
    if operand.value is not None or operand.slot != slot:
        invoke.emit_move(scope, wanted, slot, scope.slot_of(operand))


def _assign_element(scope: Scope, value: Expression, target: Element) -> None:
    array = elements.array_of(scope, target.at, target.name)
    if array.values:
        raise scope.source.refuse(target.at, "a table is constant", target.name, "declare it with array")
    index = settled(scope, lower_expression(scope, target.index), value)
    number = elements.constant_index(scope, target, array, index)
    if number is not None:
        _assign(scope, value, array.type, array.slot + number, target.name)
        return
    operand = lower_typed(scope, value, array.type, target.name)
    elements.emit_store(scope, array, index, scope.slot_of(operand))


def _assign_local(scope: Scope, node: Assign, target: Name) -> None:
    frame = scope.frame
    if target.name in frame.counters:
        raise scope.source.refuse(
            target.at, "a loop counter is not assigned", target.name, "use another name"
        )
    known = frame.types.get(target.name)
    if known is not None:
        _assign(scope, node.value, known, frame.slots[target.name], target.name)
    else:
        _assign_new(scope, node, target)
    frame.assigned.add(target.name)


def _assign_new(scope: Scope, node: Assign, target: Name) -> None:
    """A local takes the type of its first value."""
    operand = lower_expression(scope, node.value)
    if operand.type is None:
        raise scope.source.refuse(
            node.value.at, "a local variable takes the type of its value", scope.source.text(node.value.at),
            "write the kind, such as u16(0)",
        )  # fmt: skip
    if operand.is_fresh and operand.value is None:
        slot = scope.emitter.keep(operand.slot, target.name)
    else:
        slot = scope.emitter.local(target.name, operand.type.kind)
        _move(scope, operand, operand.type, slot)
    scope.frame.types[target.name] = operand.type
    scope.frame.slots[target.name] = slot


def _lower_write(scope: Scope, node: Write) -> bool:
    port = _OUT_BY_NAME.get(node.port)
    if port is None:
        known = ", ".join(f"hw.{name}(...)" for name in _OUT_BY_NAME)
        raise scope.source.refuse(node.at, "hw has no such output", f"hw.{node.port}", f"use {known}")
    wanted = scope.types.named(port.kind)
    operand = lower_typed(scope, node.value, wanted, f"the value of {port.name}")
    scope.emitter.emit(opcodes.OUT, wanted.kind, a=scope.slot_of(operand), extra=port.index)
    return True


def _lower_invoke(scope: Scope, node: Invoke) -> bool:
    method = invoke.helper_of(scope, node)
    if method.result is not None:
        lower_expression(scope, node)
    else:
        invoke.expand(scope, node, method, None, lower_typed, lower_body)
    return True


def _lower_guard(scope: Scope, node: Guard) -> bool:
    """Interrupts are masked before the block and unmasked after it."""
    if scope.is_masked:
        raise scope.source.refuse(
            node.at, "interrupts are masked already", scope.source.text(node.at), "remove it"
        )
    _write_mask(scope, 1)
    scope.is_masked = scope.frame.is_guarding = True
    with scope.emitter.held():
        lower_block(scope, node.body)
    scope.is_masked = scope.frame.is_guarding = False
    _write_mask(scope, 0)
    return True


def _write_mask(scope: Scope, level: int) -> None:
    slot = scope.emitter.constant(U8, level)
    scope.emitter.emit(opcodes.OUT, U8, a=slot, extra=OUT_MASK)


def _lower_if(scope: Scope, node: If) -> bool:
    emitter, frame = scope.emitter, scope.frame
    otherwise, end = emitter.new_label(), emitter.new_label()
    with suppress(RefusedError):  # recorded; the blocks are still checked
        jump_unless(scope, node.condition, otherwise)
    emitter.release()
    before = set(frame.assigned)
    then_goes_on = lower_block(scope, node.then)
    after_then, frame.assigned = frame.assigned, before.copy()
    if node.otherwise and then_goes_on:
        emitter.emit(opcodes.JUMP, U8, extra=end)
    emitter.place(otherwise)
    else_goes_on = lower_block(scope, node.otherwise)
    emitter.place(end)
    frame.assigned = _joined(after_then, then_goes_on, frame.assigned, else_goes_on)
    return then_goes_on or else_goes_on


def _joined(then: set[str], then_goes_on: bool, otherwise: set[str], else_goes_on: bool) -> set[str]:
    """Locals that have a value after an if: in both blocks, or in the one that goes on."""
    if not then_goes_on:
        return otherwise
    return then & otherwise if else_goes_on else then


def _lower_loop(scope: Scope, node: Loop) -> bool:
    """The body once for each value of the counter."""
    first, last = _bounds(scope, node)
    if last - first > LOOP_LIMIT:
        raise scope.source.refuse(
            node.at, f"a loop runs at most {LOOP_LIMIT} times", str(last - first), "shorten it"
        )
    frame = scope.frame
    if node.counter in frame.types or node.counter in frame.counters:
        raise scope.source.refuse(node.at, "a loop counter has a name of its own", node.counter, "rename it")
    goes_on = True
    for value in range(first, last):
        frame.counters[node.counter] = value
        if not lower_block(scope, node.body):
            goes_on = False
            break
    frame.counters.pop(node.counter, None)
    return goes_on


def _bounds(scope: Scope, node: Loop) -> tuple[int, int]:
    values = [_constant(scope, bound.at, lower_expression(scope, bound)) for bound in node.bounds]
    return (0, values[0]) if len(values) == 1 else (values[0], values[1])


def _constant(scope: Scope, at: Position, operand: Operand) -> int:
    if isinstance(operand.value, int) and (operand.type is None or operand.type.kind.is_integer):
        return operand.value
    raise scope.source.refuse(at, "a loop runs over a constant range", scope.source.text(at), "use constants")


def _lower_return(scope: Scope, node: Return) -> bool:
    frame = scope.frame
    if frame.is_guarding:
        raise scope.source.refuse(node.at, "no return while interrupts are masked",
                                  scope.source.text(node.at), "return after the block")  # fmt: skip
    if (node.value is None) != (frame.result is None):
        rule, remedy = (
            ("this method returns no value", "state the kind: def name(...) -> u16")
            if frame.result is None
            else ("every path returns a value", "write return and the value")
        )
        raise scope.source.refuse(node.at, rule, scope.source.text(node.at), remedy)
    if node.value is not None and frame.result is not None:
        _assign(scope, node.value, *frame.result, f"the value of {frame.method}")
    scope.emitter.emit(opcodes.JUMP, U8, extra=frame.end)
    return False


_LOWER: Final[dict[type[Any], Callable[[Scope, Any], bool]]] = {
    Assign: _lower_assign,
    Write: _lower_write,
    Invoke: _lower_invoke,
    If: _lower_if,
    Loop: _lower_loop,
    Guard: _lower_guard,
    Return: _lower_return,
}
