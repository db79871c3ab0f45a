"""`kind(value)`: conversion between kinds."""

from controllers import opcodes
from controllers.kinds import Kind
from controllers.lower.constants import OutOfRangeError, fold_convert
from controllers.lower.scope import Operand, Scope
from controllers.lower.types import Type
from controllers.parse.tree import Convert


def lower_conversion(scope: Scope, node: Convert, operand: Operand, target: Type, dst: int | None) -> Operand:
    """`operand` as a value of `target`; nothing is emitted between kinds that are stored alike."""
    if operand.type is None:
        return scope.typed(node.operand.at, operand, target)
    source = operand.type.kind
    if operand.value is not None:
        try:
            return Operand(target, fold_convert(operand.value, source, target.kind))
        except OutOfRangeError:
            raise scope.refuse_constant(node.at, target, scope.source.text(node.operand.at)) from None
    if (source.index, source.fraction_bits) == (target.kind.index, target.kind.fraction_bits):
        return Operand(target, slot=operand.slot, is_fresh=operand.is_fresh)
    op, bits = _select(source, target.kind)
    slot = scope.destination(target, dst)
    scope.emitter.emit(op, target.kind, slot, operand.slot, bits, source.index)
    return Operand(target, slot=slot, is_fresh=dst is None)


def _select(source: Kind, target: Kind) -> tuple[int, int]:
    """Opcode and column `b` (a number of bits) of a conversion."""
    if source.is_float and target.is_float:
        return opcodes.F_CONVERT, 0
    if source.is_float:
        return opcodes.FLOAT_TO_INT, target.fraction_bits
    if target.is_float:
        return opcodes.INT_TO_FLOAT, source.fraction_bits
    return opcodes.CONVERT, target.fraction_bits - source.fraction_bits
