"""One instruction -> one C expression with the machine's result for every operand.

Plain operators stand where nothing can go wrong: narrow unsigned results are converted to their width, which
is arithmetic modulo 2**n (C99 6.3.1.3 p2); signed ones need a helper only where their range may leave the
type. Shifts to the left go through unsigned (6.5.7 p4), shifts of negative numbers to the right are
arithmetic (6.5.7 p5, implementation-defined; the header refuses other compilers).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from controllers import opcodes
from controllers.c.helpers import INT_BITS, Helpers
from controllers.c.ranges import Range, exact_range, kind_range
from controllers.c.text import LOOSE, PRODUCT, SUM, UNARY, Value, built, call, cast
from controllers.c.types import c_type, literal, unsigned_of, wide_of
from controllers.kinds import MACHINE_KINDS, Kind


@dataclass(frozen=True)
class Operation:
    """An instruction whose operands are expressions. `b` is `a` again where there is no second one; `bits` is
    column b where that is a number of bits."""

    opcode: int
    kind: Kind
    a: Value
    b: Value
    bits: int
    extra: int
    helpers: Helpers

    @property
    def exact(self) -> Range | None:
        """Range of the result in unbounded integers, None where it is not known."""
        a, b = self.a.range, self.b.range
        if a is None or b is None:
            return None
        known = Range(self.bits, self.bits) if self.opcode == opcodes.CONVERT else b
        return exact_range(self.opcode, a, known, self.extra, self.kind)

    @property
    def fits(self) -> bool:
        """Whether the result is known to need no wrap."""
        return self.exact is not None and self.exact.within(self.kind)


def express(operation: Operation) -> Value:
    """The value of an instruction that writes a slot."""
    return _BUILDERS[operation.opcode](operation)


def _binary(operation: Operation, sign: str, rank: int) -> str:
    """The plain operator; same rank on the right gets parentheses."""
    a, b = operation.a, operation.b
    if rank == LOOSE:
        return f"{a.inside(UNARY)} {sign} {b.inside(UNARY)}"
    return f"{a.inside(rank)} {sign} {b.inside(rank - 1)}"


def _own_type(operation: Operation, text: str, rank: int) -> Value:
    """A plain operation, converted back where promotion may have widened it."""
    kind, parts = operation.kind, (operation.a, operation.b)
    used = parts if operation.b is not operation.a else parts[:1]
    if kind.is_float or kind.bits > INT_BITS:
        return built(kind, text, rank, *used)
    return cast(kind, text, rank, *used)


def _additive(sign: str, helper: str) -> "Builder":
    """+ and -: the integer promotions keep 8 bits from overflowing, and u16 is unsigned or fits an int."""

    def build(operation: Operation) -> Value:
        kind = operation.kind
        if not kind.is_float and kind.signed and kind.bits >= INT_BITS and not operation.fits:
            return call(kind, operation.helpers.need(helper, kind), operation.a, operation.b)
        return _own_type(operation, _binary(operation, sign, SUM), SUM)

    return build


def _multiply(operation: Operation) -> Value:
    kind, a = operation.kind, operation.a
    if kind.signed and kind.bits >= INT_BITS and not operation.fits:
        return call(kind, operation.helpers.need("mul", kind), a, operation.b)
    if kind.bits > INT_BITS or (kind.signed and kind.bits < INT_BITS):
        return _own_type(operation, _binary(operation, "*", PRODUCT), PRODUCT)
    # int may have 16 bits and may have 32: without the conversion the product of two promoted operands could
    # overflow in either (6.3.1.1 p2)
    word = "int" if kind.signed else "unsigned"
    return cast(kind, f"({word}){a.inside(UNARY)} * {operation.b.inside(UNARY)}", PRODUCT, a, operation.b)


def _divisive(sign: str, helper: str) -> "Builder":
    """/ and %: guarded where the divisor may be 0, or -1 below the lowest number."""

    def build(operation: Operation) -> Value:
        kind, a, b = operation.kind, operation.a, operation.b
        divisor, dividend = b.range or kind_range(kind), a.range or kind_range(kind)
        overflows = kind.signed and divisor.holds(-1) and dividend.holds(kind.low) and kind.bits >= INT_BITS
        if divisor.holds(0) or overflows:
            return call(kind, operation.helpers.need(helper, kind), a, b)
        return _own_type(operation, _binary(operation, sign, PRODUCT), PRODUCT)

    return build


def _bitwise(sign: str) -> "Builder":
    return lambda operation: _own_type(operation, _binary(operation, sign, LOOSE), LOOSE)


def _negate(operation: Operation) -> Value:
    kind, a = operation.kind, operation.a
    if kind.is_float or (kind.signed and operation.fits):
        sign = "-" if not a.text.startswith("-") else "- "
        return _own_type(operation, f"{sign}{a.inside(UNARY)}", UNARY)
    if kind.signed:
        return call(kind, operation.helpers.need("neg", kind), a)
    return _own_type(operation, f"0u - {a.inside(UNARY)}", SUM)


def _shift_left(operation: Operation) -> Value:
    kind, a, count = operation.kind, operation.a, operation.extra
    if not count:
        return a
    if not kind.signed:
        return _own_type(operation, f"{a.inside(UNARY)} << {count}", LOOSE)
    return cast(kind, f"({c_type(unsigned_of(kind))}){a.inside(UNARY)} << {count}", LOOSE, a)


def _shift_right(operation: Operation) -> Value:
    if not operation.extra:
        return operation.a
    return _own_type(operation, f"{operation.a.inside(UNARY)} >> {operation.extra}", LOOSE)


def _move(operation: Operation) -> Value:
    return operation.a


def _product_text(operation: Operation) -> tuple[Kind, str]:
    """The product in double width: (its kind, text)."""
    a, b = operation.a, operation.b
    bits = max(a.kind.bits, b.kind.bits)
    widest = next(k for k in (a.kind, b.kind) if k.bits == bits)
    wide = wide_of(widest.representation)
    return wide, f"({c_type(wide)}){a.inside(UNARY)} * {b.inside(UNARY)}"


def _multiply_shift(operation: Operation) -> Value:
    _, text = _product_text(operation)
    shifted, rank = (f"({text}) >> {operation.extra}", LOOSE) if operation.extra else (text, PRODUCT)
    return cast(operation.kind, shifted, rank, operation.a, operation.b)


def _saturate_product(operation: Operation) -> Value:
    wide, text = _product_text(operation)
    shifted = f"({text}) >> {operation.extra}" if operation.extra else text
    # an 8-bit product is an int after promotion: converted so that the argument has its type
    product = cast(wide, shifted, LOOSE, operation.a, operation.b)
    return call(operation.kind, operation.helpers.need_hold(operation.kind, wide, 0), product)


def _divide_shift(operation: Operation) -> Value:
    """(a * 2**n) / b; a power of two times a negative number is defined, its shift is not (6.5.7 p4)."""
    kind, a, b = operation.kind, operation.a, operation.b
    if b.range is None or b.range.holds(0):
        return call(kind, operation.helpers.need_divide(kind, operation.extra), a, b)
    wide = wide_of(kind.representation)
    factor = literal(wide, 1 << operation.extra)
    return cast(kind, f"({c_type(wide)}){a.inside(UNARY)} * {factor} / {b.inside(UNARY)}", PRODUCT, a, b)


def _convert(operation: Operation) -> Value:
    """Low bits survive any conversion, so the shift to the left is done in the target's unsigned type."""
    kind, a, bits = operation.kind, operation.a, operation.bits
    if bits < 0:
        return cast(kind, f"{a.inside(UNARY)} >> {-bits}", LOOSE, a)
    if bits == 0:
        return cast(kind, a.inside(UNARY), UNARY, a)
    if operation.fits and kind.bits > INT_BITS and bits < kind.bits - 1:
        return built(kind, f"({c_type(kind)}){a.inside(UNARY)} * {1 << bits}", PRODUCT, a)
    text = f"({c_type(unsigned_of(kind))}){a.inside(UNARY)} << {bits}"
    return cast(kind, text, LOOSE, a) if kind.signed or kind.bits <= INT_BITS else built(kind, text, LOOSE, a)


def _plain_convert(operation: Operation) -> Value:
    return cast(operation.kind, operation.a.inside(UNARY), UNARY, operation.a)


def _saturate_convert(operation: Operation) -> Value:
    kind, a, bits = operation.kind, operation.a, operation.bits
    source = MACHINE_KINDS[operation.extra]
    if bits < 0:
        a = cast(source, f"{a.inside(UNARY)} >> {-bits}", LOOSE, a)
    return call(kind, operation.helpers.need_hold(kind, source, max(bits, 0)), a)


def _saturating(helper: str) -> "Builder":
    return lambda operation: call(
        operation.kind, operation.helpers.need(helper, operation.kind), operation.a, operation.b
    )


def _int_to_float(operation: Operation) -> Value:
    """Division by a power of two is exact, and so is the product with its inverse."""
    kind, a = operation.kind, operation.a
    converted = cast(kind, a.inside(UNARY), UNARY, a)
    if not operation.bits:
        return converted
    one, power = literal(kind, 1.0), literal(kind, 2.0**operation.bits)
    return built(kind, f"{converted.text} * ({one} / {power})", PRODUCT, a)


def _float_to_int(operation: Operation) -> Value:
    """The product with a power of two is exact, or too large for the integer in any case."""
    kind, a = operation.kind, operation.a
    source = MACHINE_KINDS[operation.extra]
    name = operation.helpers.need("from", kind, source)
    if not operation.bits:
        return call(kind, name, a)
    scaled = built(source, f"{a.inside(PRODUCT)} * {literal(source, 2.0**operation.bits)}", PRODUCT, a)
    return call(kind, name, scaled)


def _multiply_wide(operation: Operation) -> Value:
    """The whole product. Of 8 bits it is an int or unsigned; int may have no more than 16 bits."""
    kind, a, b = operation.kind, operation.a, operation.b
    if kind.bits <= INT_BITS:
        word = "int" if kind.signed else "unsigned"
        return cast(kind, f"({word}){a.inside(UNARY)} * {b.inside(UNARY)}", PRODUCT, a, b)
    return built(kind, f"({c_type(kind)}){a.inside(UNARY)} * {b.inside(UNARY)}", PRODUCT, a, b)


Builder = Callable[[Operation], Value]
_BUILDERS: Final[dict[int, Builder]] = {
    opcodes.MOVE: _move,
    opcodes.ADD: _additive("+", "add"),
    opcodes.SUB: _additive("-", "sub"),
    opcodes.MUL: _multiply,
    opcodes.DIV: _divisive("/", "div"),
    opcodes.MOD: _divisive("%", "mod"),
    opcodes.AND: _bitwise("&"),
    opcodes.OR: _bitwise("|"),
    opcodes.XOR: _bitwise("^"),
    opcodes.NEG: _negate,
    opcodes.SHL: _shift_left,
    opcodes.SHR: _shift_right,
    opcodes.WRAP_ADD: _additive("+", "add"),
    opcodes.WRAP_SUB: _additive("-", "sub"),
    opcodes.MUL_SHIFT: _multiply_shift,
    opcodes.DIV_SHIFT: _divide_shift,
    opcodes.CONVERT: _convert,
    opcodes.F_MOVE: _move,
    opcodes.F_ADD: _additive("+", "add"),
    opcodes.F_SUB: _additive("-", "sub"),
    opcodes.F_MUL: lambda operation: _own_type(operation, _binary(operation, "*", PRODUCT), PRODUCT),
    opcodes.F_DIV: lambda operation: _own_type(operation, _binary(operation, "/", PRODUCT), PRODUCT),
    opcodes.F_NEG: _negate,
    opcodes.F_CONVERT: _plain_convert,
    opcodes.INT_TO_FLOAT: _int_to_float,
    opcodes.FLOAT_TO_INT: _float_to_int,
    opcodes.SAT_ADD: _saturating("sat_add"),
    opcodes.SAT_SUB: _saturating("sat_sub"),
    opcodes.SAT_MUL_SHIFT: _saturate_product,
    opcodes.SAT_CONVERT: _saturate_convert,
    opcodes.SAT_FROM_FLOAT: _float_to_int,
    opcodes.WRAP_CONVERT: _plain_convert,
    opcodes.MUL_WIDE: _multiply_wide,
    opcodes.WIDE_ADD: _additive("+", "add"),
    opcodes.WIDE_SUB: _additive("-", "sub"),
    opcodes.WIDE_MUL: _multiply,
    opcodes.WIDE_DIV: _divisive("/", "div"),
    opcodes.WIDE_MOD: _divisive("%", "mod"),
    opcodes.WIDE_NEG: _negate,
    opcodes.WIDE_SHL: _shift_left,
    opcodes.WIDE_SHR: _shift_right,
    opcodes.WIDE_CONVERT: _plain_convert,
}
