"""Which priced operations of a target one instruction is made of: a table from cost rule to cost keys.

Temporaries are in registers and free to read and write; a static variable is loaded and stored at a fixed
address; a constant is an immediate. Widths beyond the kind (wide products, shifted dividends) are what C code
for the same operation would use. Narrower integers reach a float through a conversion to 32 bits.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Final, NamedTuple

from controllers.kinds import I16, I32, I64, MACHINE_KINDS, U32, Kind
from controllers.opcodes import COST_RULES, OPCODES, Opcode
from controllers.program import SLOT_CONST, SLOT_STATIC, SLOT_TEMP, Program

Item = tuple[str, int]  # cost key, how many times


class Instruction(NamedTuple):
    """One row of a Program, resolved. `slots` are (class, kind) of a and b where they are slots;
    `array_class` is the class of the array that is read. narrow: the narrowest kind that holds
    both operands of a product or quotient, where that is not `kind`; quotient_bits: at most so many. Both
    None where nothing is known. is_positive: a division without
    negative operands, signed or not: the compiler weighs the signed against the unsigned one, takes the
    unsigned one, and leaves the names of both in the object file. keeps_low_word: what is
    left of a double-width product is one register. is_inside: the index of an array is known to be one."""

    opcode: Opcode
    kind: Kind
    dst_class: int | None
    slots: tuple[tuple[int, Kind], ...]
    b: int
    extra: int
    array_class: int | None
    narrow: Kind | None = None
    quotient_bits: int | None = None
    is_positive: bool = False
    keeps_low_word: bool = False
    is_inside: bool = False


def instruction_at(program: Program, pc: int) -> Instruction:
    """Row `pc` of the code, resolved."""
    op, kind, dst, a, b, extra = (int(column) for column in program.code[pc])
    opcode = OPCODES[op]
    read = [slot for slot, role in zip((a, b), opcode.shape[1:3], strict=True) if role == "slot"]
    slots = tuple((int(program.slot_class[s]), MACHINE_KINDS[program.slot_kinds[s]]) for s in read)
    dst_class = int(program.slot_class[dst]) if opcode.writes else None
    array_class = int(program.slot_class[b]) if opcode.shape[2] == "array" else None
    return Instruction(opcode, MACHINE_KINDS[kind], dst_class, slots, b, extra, array_class)


def cost_items(row: Instruction) -> Iterator[Item]:
    """Every priced operation of an instruction: loads, the operation, the store."""
    for slot_class, kind in row.slots:
        if slot_class == SLOT_STATIC:
            yield f"load{kind.bits}", 1
        elif slot_class == SLOT_CONST:
            yield f"const{kind.bits}", 1
    yield from RULES[row.opcode.cost_rule](row)
    if row.dst_class == SLOT_STATIC:
        yield f"store{row.kind.bits}", 1


def named_keys(row: Instruction) -> Sequence[str]:
    """Keys whose routine is linked though another is called: see `is_positive`."""
    if not row.is_positive:
        return ()
    if row.opcode.cost_rule == "divide_wide":
        return ("i64_div_i32",) if row.kind.bits == I32.bits else ()
    if row.opcode.cost_word not in ("div", "mod"):  # it was folded into something simpler
        return ()
    return (f"i32_{row.opcode.cost_word}", f"u32_{row.opcode.cost_word}")


def _name(kind: Kind) -> str:
    """A kind as cost keys name it: both 64-bit integers cost the same but in product and quotient."""
    return I64.name if kind.is_wide else kind.name


def shift_items(width: str, count: int) -> Iterator[Item]:
    """Shift of `count` = 8 * bytes + bits places."""
    if count:
        yield f"{width}_shift_base", 1
        yield f"{width}_shift_per_bit", count % 8
        yield f"{width}_shift_per_byte", count // 8


def _nothing(row: Instruction) -> Sequence[Item]:
    """Leaving the handler is priced with the interrupt."""
    del row
    return ()


def _io_read(row: Instruction) -> Sequence[Item]:
    return ((f"io_read{row.kind.bits}", 1),)


def _io_write(row: Instruction) -> Sequence[Item]:
    return ((f"io_write{row.kind.bits}", 1),)


def _jump(row: Instruction) -> Sequence[Item]:
    del row
    return (("jump", 1),)


def _move(row: Instruction) -> Sequence[Item]:
    """Loads and stores move already; only register to register is an instruction of its own."""
    from_register = row.slots[0][0] == SLOT_TEMP
    return ((f"move{row.kind.bits}", 1),) if from_register and row.dst_class == SLOT_TEMP else ()


def _arithmetic(row: Instruction) -> Sequence[Item]:
    word = row.opcode.cost_word
    if row.narrow is None:
        return ((f"{row.kind.name}_{word}", 1),)
    return ((f"{row.narrow.name}_{word}_wide" if word == "mul" else f"{row.narrow.name}_{word}", 1),)


def _shift(row: Instruction) -> Iterator[Item]:
    return shift_items(_name(row.kind), row.extra)


def _multiply_wide(row: Instruction) -> Iterator[Item]:
    """Product in double width, shifted, narrowed or saturated. The factor may be wider than the kind (gain of
    an i8)."""
    bits = max(row.kind.bits, row.slots[1][1].bits)
    if bits == I32.bits:
        yield "i32_mul_wide", 1
        if row.keeps_low_word and row.opcode.cost_word == "convert":
            yield "u32_shift_base", 2 if 0 < row.extra < bits else 1
            yield "u32_or", 1 if 0 < row.extra < bits else 0
        else:
            yield from shift_items("i64", row.extra)
    elif bits == I16.bits:
        yield from _convert_items(row.kind, I16)
        yield "i16_mul_wide", 1
        yield from shift_items("i32", row.extra)
    else:
        yield "i16_convert", 2
        yield "i16_mul", 1
        yield from shift_items("i16", row.extra)
    yield f"{row.kind.name}_{row.opcode.cost_word}", 1


def _divide_wide(row: Instruction) -> Iterator[Item]:
    """Dividend in double width, shifted, divided, narrowed."""
    if row.kind.bits == I32.bits:
        yield from shift_items("i64", row.extra)
        yield "u64_div" if row.is_positive else "i64_div_i32", 1
    elif row.kind.bits == I16.bits:
        yield "i32_convert", 1
        yield from shift_items("i32", row.extra)
        yield "i64_div_i16", 1
    else:
        yield "i16_convert", 2
        yield from shift_items("i16", row.extra)
        yield "i16_div", 1
    yield f"{row.kind.name}_convert", 1


def _convert_items(source: Kind, target: Kind) -> Iterator[Item]:
    if source.index != target.index:
        yield f"{_name(target)}_convert", 1


def _convert(row: Instruction) -> Iterator[Item]:
    """To the left after widening, to the right before narrowing."""
    source = MACHINE_KINDS[row.extra]
    if row.b < 0:
        yield from shift_items(_name(source), -row.b)
    yield from _convert_items(source, row.kind)
    if row.b > 0:
        yield from shift_items(row.kind.name, row.b)


def _saturate(row: Instruction) -> Iterator[Item]:
    """As a conversion; the range is checked before the narrowing."""
    source = MACHINE_KINDS[row.extra]
    if row.b < 0:
        yield from shift_items(_name(source), -row.b)
    yield f"{_name(row.kind)}_saturate", 1
    if row.b > 0:
        yield from shift_items(row.kind.name, row.b)


def _load_at(row: Instruction) -> Sequence[Item]:
    """The index is compared with the length where it must be; tables are in flash, arrays in RAM."""
    word = "table_at" if row.array_class == SLOT_CONST else "load_at"
    return (("index_check", 0 if row.is_inside else 1), (f"{word}{row.kind.bits}", 1))


def _store_at(row: Instruction) -> Sequence[Item]:
    return (("index_check", 0 if row.is_inside else 1), (f"store_at{row.kind.bits}", 1))


def _widen(row: Instruction) -> Sequence[Item]:
    return ((f"{MACHINE_KINDS[row.extra].name}_mul_wide", 1),)


def _wide_arithmetic(row: Instruction) -> Sequence[Item]:
    """Product, quotient and remainder differ by sign; the others are the same instructions."""
    word = row.opcode.cost_word
    name = row.kind.name if word in ("mul", "div", "mod") else _name(row.kind)
    return ((f"{name}_{word}", 1),)


def _branch(row: Instruction) -> Sequence[Item]:
    return ((f"{_name(row.kind)}_branch_{row.opcode.cost_word}", 1),)


def _float_convert(row: Instruction) -> Sequence[Item]:
    return ((f"{MACHINE_KINDS[row.extra].name}_to_{row.kind.name}", 1),)


def _from_int(row: Instruction) -> Iterator[Item]:
    """Through a 32-bit integer; fixed point is then multiplied by 2**-n."""
    source = MACHINE_KINDS[row.extra]
    wide = I32 if source.signed else U32
    yield from _convert_items(source, wide)
    yield f"{wide.name}_to_{row.kind.name}", 1
    yield from _scale_items(row.kind, row.b)


def _to_int(row: Instruction) -> Iterator[Item]:
    """Fixed point is first multiplied by 2**n; then through i32, the one conversion targets price. The bit
    pattern is compared with the end of the range, beyond which C says nothing (6.3.1.4 p1)."""
    source = MACHINE_KINDS[row.extra]
    yield from _scale_items(source, row.b)
    yield f"const{source.bits}", 1
    yield "i64_branch_lt" if source.bits == I64.bits else "u32_branch_lt", 1
    yield f"{source.name}_to_i32", 1
    yield from _convert_items(I32, row.kind)


def _scale_items(kind: Kind, bits: int) -> Iterator[Item]:
    if bits:
        yield f"const{kind.bits}", 1
        yield f"{kind.name}_mul", 1


RULES: Final[dict[str, Callable[[Instruction], Sequence[Item] | Iterator[Item]]]] = {
    "return": _nothing,
    "io_read": _io_read,
    "io_write": _io_write,
    "jump": _jump,
    "move": _move,
    "arithmetic": _arithmetic,
    "shift": _shift,
    "multiply_wide": _multiply_wide,
    "divide_wide": _divide_wide,
    "convert": _convert,
    "branch": _branch,
    "float_convert": _float_convert,
    "from_int": _from_int,
    "to_int": _to_int,
    "load_at": _load_at,
    "store_at": _store_at,
    "saturate": _saturate,
    "widen": _widen,
    "wide_arithmetic": _wide_arithmetic,
    "wide_branch": _branch,
}


def _check_rules() -> None:
    if tuple(RULES) != COST_RULES:
        raise AssertionError("RULES and opcodes.COST_RULES differ")


_check_rules()
