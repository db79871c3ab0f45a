"""Statements -> instructions. A bad statement is recorded and left out: all faults come in one list."""

from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Any, Final

from controllers import opcodes
from controllers.kinds import U8
from controllers.lower.conditions import jump_unless
from controllers.lower.expressions import lower_expression, lower_typed
from controllers.lower.scope import Frame, Operand, Scope, StaticName
from controllers.lower.types import Type
from controllers.parse.source import Position, RefusedError
from controllers.parse.tree import (
    Assign,
    Expression,
    If,
    Invoke,
    Loop,
    Member,
    Name,
    Return,
    Statement,
    Write,
)
from controllers.ports import OUT_PORTS

LOOP_LIMIT: Final = 64
_OUT_BY_NAME: Final = {port.name: port for port in OUT_PORTS}


def lower_block(scope: Scope, block: Iterable[Statement]) -> bool:
    """Compile statements in order; False where the end of the block is never reached."""
    for statement in block:
        scope.emitter.line = statement.at.line
        try:
            goes_on = _LOWER[type(statement)](scope, statement)
        except RefusedError:
            _poison(scope, statement)
            goes_on = True
        scope.emitter.release()
        if not goes_on:
            return False
    return True


def lower_method(scope: Scope, name: str, end: int) -> None:
    """Compile the body of a method in a frame of its own; `return` goes to `end`."""
    scope.frames.append(Frame(name, end))
    scope.called.add(name)
    lower_block(scope, scope.methods[name].body)
    for slot in scope.frame.slots.values():
        scope.emitter.free(slot)
    scope.frames.pop()


def _poison(scope: Scope, statement: Statement) -> None:
    """A local whose assignment is refused has no type: its uses are not reported again."""
    if isinstance(statement, Assign) and isinstance(statement.target, Name):
        scope.frame.types.setdefault(statement.target.name, None)
        scope.frame.assigned.add(statement.target.name)


def _lower_assign(scope: Scope, node: Assign) -> bool:
    if isinstance(node.target, Member):
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
    if operand.value is None and operand.slot == slot:
        return
    op = opcodes.F_MOVE if wanted.kind.is_float else opcodes.MOVE
    scope.emitter.emit(op, wanted.kind, slot, scope.slot_of(operand))


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
    slot = operand.slot if operand.is_fresh else scope.emitter.temporary(operand.type.kind)
    _move(scope, operand, operand.type, slot)
    scope.emitter.keep(slot)
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
    if node.method not in scope.methods:
        raise scope.source.refuse(node.at, "a helper is a method of the class", node.method, "define it")
    if node.method in (frame.method for frame in scope.frames):
        raise scope.source.refuse(node.at, "a method does not call itself", node.method, "write a loop")
    end = scope.emitter.new_label()
    lower_method(scope, node.method, end)
    scope.emitter.place(end)
    return True


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
    del node
    scope.emitter.emit(opcodes.JUMP, U8, extra=scope.frame.end)
    return False


_LOWER: Final[dict[type[Any], Callable[[Scope, Any], bool]]] = {
    Assign: _lower_assign,
    Write: _lower_write,
    Invoke: _lower_invoke,
    If: _lower_if,
    Loop: _lower_loop,
    Return: _lower_return,
}
