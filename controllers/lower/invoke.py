"""`self.helper(...)`: the helper's statements stand where it is called; arguments and result are locals."""

from collections.abc import Callable

from controllers import opcodes
from controllers.lower.scope import Frame, Operand, Scope
from controllers.lower.types import Type
from controllers.parse.source import Position
from controllers.parse.tree import Expression, Invoke, Method, Return, assigned_names
from controllers.program import SLOT_TEMP

Typed = Callable[[Scope, Expression, Type, str], Operand]
Block = Callable[[Scope, Method], bool]


def helper_of(scope: Scope, node: Invoke) -> Method:
    """The method called, with the right number of arguments and not already being compiled."""
    method = scope.methods.get(node.method)
    if method is None:
        raise scope.source.refuse(node.at, "a helper is a method of the class", node.method, "define it")
    scope.called.add(node.method)
    if node.method in (frame.method for frame in scope.frames):
        raise scope.source.refuse(node.at, "a method does not call itself", node.method, "write a loop")
    if len(node.operands) != len(method.arguments):
        noun = "argument" if len(method.arguments) == 1 else "arguments"
        rule = f"{node.method} takes {len(method.arguments)} {noun}"
        raise scope.source.refuse(node.at, rule, str(len(node.operands)), "correct the call")
    return method


def bind_arguments(scope: Scope, node: Invoke, method: Method, frame: Frame, typed: Typed) -> None:
    """Move the values of the call into the helper's locals, from left to right. A constant, or a local of the
    caller, that the helper does not change stays what it is."""
    for argument, value in zip(method.arguments, node.operands, strict=True):
        wanted = scope.types.of_value(scope.source, argument.kind)
        operand = typed(scope, value, wanted, f"{argument.name} of {method.name}")
        is_changed = argument.name in assigned_names(method.body)
        is_local = scope.emitter.slots[operand.slot].slot_class == SLOT_TEMP and not operand.is_fresh
        if not is_changed and (operand.value is not None or is_local):
            frame.unchanged[argument.name] = operand
            continue
        if operand.is_fresh and operand.value is None:
            slot = scope.emitter.keep(operand.slot, argument.name)
        else:
            slot = scope.emitter.local(argument.name, wanted.kind)
            emit_move(scope, wanted, slot, scope.slot_of(operand))
        frame.types[argument.name] = wanted
        frame.slots[argument.name] = slot
        frame.assigned.add(argument.name)


def lower_value(scope: Scope, node: Invoke, typed: Typed, block: Block) -> Operand:
    """The helper's result, in a temporary of its own."""
    method = helper_of(scope, node)
    if method.result is None:
        raise scope.source.refuse(
            node.at, "this helper has no value", node.method, "call it as a statement, or write -> kind"
        )
    result = scope.types.of_value(scope.source, method.result)
    if len(method.body) == 1 and isinstance(method.body[0], Return) and method.body[0].value is not None:
        return _lower_formula(scope, node, method, result, method.body[0].value, typed)
    slot = scope.emitter.temporary(result.kind)
    expand(scope, node, method, (result, slot), typed, block)
    return Operand(result, slot=slot, is_fresh=True)


def _lower_formula(
    scope: Scope, node: Invoke, method: Method, result: Type, value: Expression, typed: Typed
) -> Operand:
    """A helper that is one expression: its value where it comes out, a constant where it is one."""
    frame = Frame(node.method, 0, result=None)
    line = scope.emitter.line
    bind_arguments(scope, node, method, frame, typed)
    scope.frames.append(frame)
    scope.emitter.line = value.at.line
    operand = typed(scope, value, result, f"the value of {method.name}")
    if operand.value is None and operand.slot in frame.slots.values():
        slot = scope.emitter.temporary(result.kind)
        emit_move(scope, result, slot, operand.slot)
        operand = Operand(result, slot=slot, is_fresh=True)
    for slot in frame.slots.values():
        scope.emitter.free(slot)
    scope.frames.pop()
    scope.emitter.line = line
    return operand


def expand(
    scope: Scope, node: Invoke, method: Method, result: tuple[Type, int] | None, typed: Typed, block: Block
) -> None:
    """Compile the helper's body in a frame of its own; `return` goes to its end."""
    end = scope.emitter.new_label()
    frame = Frame(node.method, end, result)
    bind_arguments(scope, node, method, frame, typed)
    with scope.emitter.held():
        in_frame(scope, method, frame, block)
    scope.emitter.place(end)


def in_frame(scope: Scope, method: Method, frame: Frame, block: Block) -> None:
    """Compile a method's body with `frame` as the innermost; a method with a result returns on every path."""
    scope.frames.append(frame)
    scope.called.add(method.name)
    goes_on = block(scope, method)
    if goes_on and frame.result is not None:
        _refuse_open_end(scope, method.at, method.name)
    for slot in frame.slots.values():
        scope.emitter.free(slot)
    scope.frames.pop()


def _refuse_open_end(scope: Scope, at: Position, name: str) -> None:
    scope.source.refuse(at, "every path returns a value", name, "end it with return")


def emit_move(scope: Scope, kind: Type, slot: int, source: int) -> None:
    """slot = source"""
    scope.emitter.emit(opcodes.F_MOVE if kind.kind.is_float else opcodes.MOVE, kind.kind, slot, source)
