"""`kind(value)`, `sat(kind, value)`, `wrap(kind, value)`: conversion between kinds."""

from controllers import opcodes
from controllers.kinds import Kind
from controllers.lower.constants import OutOfRangeError, fold_convert
from controllers.lower.scope import Operand, Scope, describe
from controllers.lower.types import Type
from controllers.parse.tree import Convert, Recast


def lower_conversion(scope: Scope, node: Convert, operand: Operand, target: Type, dst: int | None) -> Operand:
    """`operand` as a value of `target`; nothing is emitted between kinds that are stored alike."""
    if operand.type is None:
        return scope.typed(node.operand.at, operand, target)
    source = operand.type.kind
    _check_wide(scope, node, operand.type, target)
    if operand.value is not None:
        try:
            return Operand(target, fold_convert(operand.value, source, target.kind))
        except OutOfRangeError:
            raise scope.refuse_constant(node.at, target, scope.source.text(node.operand.at)) from None
    if _is_alike(source, target.kind):
        return Operand(target, slot=operand.slot, is_fresh=operand.is_fresh)
    op, bits = _select(source, target.kind)
    slot = scope.destination(target, dst)
    scope.emitter.emit(op, target.kind, slot, operand.slot, bits, source.index)
    return Operand(target, slot=slot, is_fresh=dst is None)


def _is_alike(source: Kind, target: Kind) -> bool:
    """Whether both kinds store every value in the same way."""
    return (source.index, source.fraction_bits) == (target.index, target.fraction_bits)


def _check_wide(scope: Scope, node: Convert | Recast, source: Type, target: Type) -> None:
    """64-bit integers are intermediates of integers."""
    if source.kind.is_wide != target.kind.is_wide and not (source.kind.is_integer and target.kind.is_integer):
        raise scope.source.refuse(
            node.at, "64 bits convert to and from integers only", f"{describe(source)} to {describe(target)}",
            "convert to i32 or u32 between them",
        )  # fmt: skip


def _select(source: Kind, target: Kind) -> tuple[int, int]:
    """Opcode and column `b` (a number of bits) of a conversion."""
    if source.is_float and target.is_float:
        return opcodes.F_CONVERT, 0
    if source.is_float:
        return opcodes.FLOAT_TO_INT, target.fraction_bits
    if target.is_float:
        return opcodes.INT_TO_FLOAT, source.fraction_bits
    if source.is_wide or target.is_wide:
        return opcodes.WIDE_CONVERT, 0
    return opcodes.CONVERT, target.fraction_bits - source.fraction_bits


def lower_recast(scope: Scope, node: Recast, operand: Operand, target: Type, dst: int | None) -> Operand:
    """sat(kind, x): x held within the kind. wrap(kind, x): the low bits of x. Neither counts a fault."""
    if operand.type is None:
        return scope.typed(node.operand.at, operand, target)
    source = operand.type
    if node.function == "wrap" and not (_is_plain(source) and _is_plain(target)):
        found = f"{describe(source)} to {describe(target)}"
        raise scope.source.refuse(node.at, "wrap is between integers", found, "use sat, or convert")
    if target.kind.is_float or _is_alike(source.kind, target.kind):
        convert = Convert(node.at, node.kind, node.operand)
        return lower_conversion(scope, convert, operand, target, dst)
    _check_wide(scope, node, source, target)
    slot = scope.destination(target, dst)
    op, bits = _select_recast(node.function, source.kind, target.kind)
    scope.emitter.emit(op, target.kind, slot, scope.slot_of(operand), bits, source.kind.index)
    return Operand(target, slot=slot, is_fresh=dst is None)


def _is_plain(kind: Type) -> bool:
    """An integer whatever the scenario's arithmetic is."""
    return kind.kind.is_integer and not kind.is_number


def _select_recast(function: str, source: Kind, target: Kind) -> tuple[int, int]:
    """Opcode and column `b` (a number of bits)."""
    if function == "wrap":
        return opcodes.WRAP_CONVERT, 0
    if source.is_float:
        return opcodes.SAT_FROM_FLOAT, target.fraction_bits
    return opcodes.SAT_CONVERT, target.fraction_bits - source.fraction_bits
