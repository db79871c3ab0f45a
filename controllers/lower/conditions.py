"""Conditions -> compare-and-jump instructions, short-circuit; constant conditions are decided here."""

import operator
from collections.abc import Callable
from typing import Any, Final

from controllers import opcodes
from controllers.lower.expressions import lower_pair
from controllers.lower.jumps import emit_jump
from controllers.lower.scope import Scope
from controllers.parse.tree import Compare, Condition, Junction, Not

_FOLDS: Final[dict[str, Callable[[Any, Any], bool]]] = {
    "<": operator.lt, "<=": operator.le, ">": operator.gt,
    ">=": operator.ge, "==": operator.eq, "!=": operator.ne,
}  # fmt: skip


def jump_unless(scope: Scope, node: Condition, label: int) -> None:
    """Go to `label` where the condition does not hold."""
    _jump(scope, node, label, when=False)


def _jump(scope: Scope, node: Condition, label: int, when: bool) -> None:
    """Go to `label` where the condition is `when`, else go on with the next instruction."""
    if isinstance(node, Not):
        _jump(scope, node.part, label, not when)
    elif isinstance(node, Junction):
        _jump_junction(scope, node, label, when)
    else:
        _jump_compare(scope, node, label, when)


def _jump_junction(scope: Scope, node: Junction, label: int, when: bool) -> None:
    """`and` fails at its first false part, `or` holds at its first true one."""
    decisive = not node.is_and
    if when == decisive:
        for part in node.parts:
            _jump(scope, part, label, when)
        return
    past = scope.emitter.new_label()
    for part in node.parts[:-1]:
        _jump(scope, part, past, decisive)
    _jump(scope, node.parts[-1], label, when)
    scope.emitter.place(past)


def _jump_compare(scope: Scope, node: Compare, label: int, when: bool) -> None:
    a, b = lower_pair(scope, node.at, node.left, node.right)
    emitter = scope.emitter
    if a.value is not None and b.value is not None:
        if _FOLDS[node.operator](a.value, b.value) == when:
            emitter.emit(opcodes.JUMP, scope.types.ticks.kind, extra=label)
        return
    assert a.type is not None
    comparison = node.operator if when else f"not {node.operator}"
    emit_jump(emitter, comparison, a.type.kind, scope.slot_of(a), scope.slot_of(b), label)
