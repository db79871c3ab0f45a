"""Arrays and tables: `self.name[index]` read and written, `len(self.name)`.

A constant index is checked here and names its slot; any other is checked by the machine at run time.
"""

from controllers import opcodes
from controllers.lower.scope import ArrayName, Operand, Scope, describe
from controllers.parse.source import Position, RefusedError
from controllers.parse.tree import Element, Length

INDEX_WORDS = ("u8", "u16")


def array_of(scope: Scope, at: Position, name: str) -> ArrayName:
    """The array or table that a name stands for."""
    if name in scope.symbols and scope.symbols[name] is None:
        raise RefusedError(name)
    symbol = scope.symbols.get(name)
    if not isinstance(symbol, ArrayName):
        remedy = "declare it with array(kind, length, value) or table(kind, (value, ...))"
        raise scope.source.refuse(at, "only arrays and tables have elements", name, remedy)
    return symbol


def lower_length(scope: Scope, node: Length) -> Operand:
    """Number of elements, a literal."""
    return Operand(None, array_of(scope, node.at, node.name).length)


def lower_element(scope: Scope, node: Element, index: Operand, dst: int | None) -> Operand:
    """Value of an element."""
    array = array_of(scope, node.at, node.name)
    number = constant_index(scope, node, array, index)
    if number is not None:
        if array.values:
            return Operand(array.type, array.values[number])
        return Operand(array.type, slot=array.slot + number)
    kind = array.type.kind
    slot = scope.destination(array.type, dst)
    op = opcodes.F_LOAD_AT if kind.is_float else opcodes.LOAD_AT
    scope.emitter.emit(op, kind, slot, index.slot, array.slot, array.length)
    return Operand(array.type, slot=slot, is_fresh=dst is None)


def emit_store(scope: Scope, array: ArrayName, index: Operand, value: int) -> None:
    """Write the slot `value` into the element that a variable index names."""
    kind = array.type.kind
    op = opcodes.F_STORE_AT if kind.is_float else opcodes.STORE_AT
    scope.emitter.emit(op, kind, array.slot, value, index.slot, array.length)


def constant_index(scope: Scope, node: Element, array: ArrayName, index: Operand) -> int | None:
    """The index where it is known now, checked; None where it is a variable of a kind that can be an
    index."""
    if index.value is None:
        assert index.type is not None
        if index.type.word not in INDEX_WORDS:
            raise scope.source.refuse(node.index.at, "an index is u8 or u16", describe(index.type),
                                      "convert it: u8(...)")  # fmt: skip
        return None
    if isinstance(index.value, int) and 0 <= index.value < array.length:
        return index.value
    rule = f"{node.name} has elements 0..{array.length - 1}"
    raise scope.source.refuse(node.index.at, rule, scope.source.text(node.index.at), "correct the index")
