"""The instruction set: one table, checked when loaded.

An instruction is a row of six int32 columns (op, kind, dst, a, b, extra). `kind` is a row number of
`kinds.MACHINE_KINDS`. What the other columns hold is the operand shape of the opcode, written as four words
in the order dst, a, b, extra:
    slot      number of a slot (int64 or float64 image, by kind)
    target    pc of the instruction to jump to
    port      index of `ports.IN_PORTS` or `ports.OUT_PORTS`
    count     a number of bits
    kind      row number of the kind of the source operand
    array     number of the first slot of an array of `extra` elements
    length    number of elements of the array
    -         unused, 0
"""

from dataclasses import dataclass
from typing import Final

RET: Final = 0
IN: Final = 1
OUT: Final = 2
JUMP: Final = 3
MOVE: Final = 4
ADD: Final = 5
SUB: Final = 6
MUL: Final = 7
DIV: Final = 8
MOD: Final = 9
AND: Final = 10
OR: Final = 11
XOR: Final = 12
NEG: Final = 13
SHL: Final = 14
SHR: Final = 15
WRAP_ADD: Final = 16
WRAP_SUB: Final = 17
MUL_SHIFT: Final = 18
DIV_SHIFT: Final = 19
CONVERT: Final = 20
JUMP_LT: Final = 21
JUMP_LE: Final = 22
JUMP_EQ: Final = 23
JUMP_NOT_LT: Final = 24
JUMP_NOT_LE: Final = 25
JUMP_NE: Final = 26
F_MOVE: Final = 27
F_ADD: Final = 28
F_SUB: Final = 29
F_MUL: Final = 30
F_DIV: Final = 31
F_NEG: Final = 32
F_CONVERT: Final = 33
INT_TO_FLOAT: Final = 34
FLOAT_TO_INT: Final = 35
F_JUMP_LT: Final = 36
F_JUMP_LE: Final = 37
F_JUMP_EQ: Final = 38
F_JUMP_NOT_LT: Final = 39
F_JUMP_NOT_LE: Final = 40
F_JUMP_NE: Final = 41
LOAD_AT: Final = 42
STORE_AT: Final = 43
F_LOAD_AT: Final = 44
F_STORE_AT: Final = 45
SAT_ADD: Final = 46
SAT_SUB: Final = 47
SAT_MUL_SHIFT: Final = 48
SAT_CONVERT: Final = 49
SAT_FROM_FLOAT: Final = 50
WRAP_CONVERT: Final = 51
MUL_WIDE: Final = 52
WIDE_ADD: Final = 53
WIDE_SUB: Final = 54
WIDE_MUL: Final = 55
WIDE_DIV: Final = 56
WIDE_MOD: Final = 57
WIDE_NEG: Final = 58
WIDE_SHL: Final = 59
WIDE_SHR: Final = 60
WIDE_CONVERT: Final = 61
WIDE_JUMP_LT: Final = 62
WIDE_JUMP_LE: Final = 63

OPERAND_ROLES: Final = ("slot", "target", "port", "count", "kind", "array", "length", "-")
COST_RULES: Final = (
    "return", "io_read", "io_write", "jump", "move", "arithmetic", "shift",
    "multiply_wide", "divide_wide", "convert", "branch", "float_convert", "from_int", "to_int",
    "load_at", "store_at", "saturate", "widen", "wide_arithmetic", "wide_branch",
)  # fmt: skip


@dataclass(frozen=True)
class Opcode:
    """One row of the instruction set. `cost_rule` names the function of `cost_rules.RULES` that prices it;
    `cost_word` completes the target's cost key ("add" -> "i32_add")."""

    number: int
    name: str
    shape: tuple[str, str, str, str]
    cost_rule: str
    cost_word: str
    semantics: str

    @property
    def arity(self) -> int:
        """How many slots are read."""
        return self.shape[1:3].count("slot")

    @property
    def writes(self) -> bool:
        """Whether the slot `dst` is written."""
        return self.shape[0] == "slot"

    @property
    def jumps(self) -> bool:
        """Whether control may go to the pc in `extra`."""
        return self.shape[3] == "target"

    @property
    def stops(self) -> bool:
        """Whether the machine hands back to its caller at this instruction."""
        return self.cost_rule in ("return", "io_read", "io_write")


def _row(number: int, name: str, shape: str, cost: str, semantics: str) -> Opcode:
    dst, a, b, extra = shape.split()
    rule, _, word = cost.partition(":")
    return Opcode(number, name, (dst, a, b, extra), rule, word, semantics)


_TWO = "slot slot slot -"
_ONE = "slot slot - -"
_IF = "- slot slot target"

OPCODES: Final = (
    _row(RET, "RET", "- - - -", "return", "end of the handler"),
    _row(IN, "IN", "slot - - port", "io_read", "dst = port"),
    _row(OUT, "OUT", "- slot - port", "io_write", "port = a"),
    _row(JUMP, "JUMP", "- - - target", "jump", "goto extra"),
    _row(MOVE, "MOVE", _ONE, "move", "dst = a"),
    _row(ADD, "ADD", _TWO, "arithmetic:add", "dst = a + b, wrap counted"),
    _row(SUB, "SUB", _TWO, "arithmetic:sub", "dst = a - b, wrap counted"),
    _row(MUL, "MUL", _TWO, "arithmetic:mul", "dst = a * b, wrap counted"),
    _row(DIV, "DIV", _TWO, "arithmetic:div", "dst = a / b toward zero; 0 and counted where b = 0"),
    _row(MOD, "MOD", _TWO, "arithmetic:mod", "dst = a - (a/b)*b; 0 and counted where b = 0"),
    _row(AND, "AND", _TWO, "arithmetic:and", "dst = a & b"),
    _row(OR, "OR", _TWO, "arithmetic:or", "dst = a | b"),
    _row(XOR, "XOR", _TWO, "arithmetic:xor", "dst = a ^ b"),
    _row(NEG, "NEG", _ONE, "arithmetic:neg", "dst = -a, wrap counted"),
    _row(SHL, "SHL", "slot slot - count", "shift", "dst = a << extra, lost bits counted"),
    _row(SHR, "SHR", "slot slot - count", "shift", "dst = a >> extra, arithmetic where signed"),
    _row(WRAP_ADD, "WRAP_ADD", _TWO, "arithmetic:add", "dst = a + b, wrap meant"),
    _row(WRAP_SUB, "WRAP_SUB", _TWO, "arithmetic:sub", "dst = a - b, wrap meant"),
    _row(MUL_SHIFT, "MUL_SHIFT", "slot slot slot count", "multiply_wide:convert",
         "dst = (wide) a * b >> extra, toward minus infinity, wrap counted"),
    _row(DIV_SHIFT, "DIV_SHIFT", "slot slot slot count", "divide_wide",
         "dst = ((wide) a << extra) / b toward zero, wrap counted; 0 and counted where b = 0"),
    _row(CONVERT, "CONVERT", "slot slot count kind", "convert",
         "dst = (kind) a scaled by 2**b (b < 0: >> -b, toward minus infinity); change of value counted"),
    _row(JUMP_LT, "JUMP_LT", _IF, "branch:lt", "if a < b goto extra"),
    _row(JUMP_LE, "JUMP_LE", _IF, "branch:lt", "if a <= b goto extra"),
    _row(JUMP_EQ, "JUMP_EQ", _IF, "branch:eq", "if a == b goto extra"),
    _row(JUMP_NOT_LT, "JUMP_NOT_LT", _IF, "branch:lt", "if not a < b goto extra"),
    _row(JUMP_NOT_LE, "JUMP_NOT_LE", _IF, "branch:lt", "if not a <= b goto extra"),
    _row(JUMP_NE, "JUMP_NE", _IF, "branch:eq", "if a != b goto extra"),
    _row(F_MOVE, "F_MOVE", _ONE, "move", "dst = a"),
    _row(F_ADD, "F_ADD", _TWO, "arithmetic:add", "dst = a + b, rounded to the kind, infinity counted"),
    _row(F_SUB, "F_SUB", _TWO, "arithmetic:sub", "dst = a - b, rounded to the kind, infinity counted"),
    _row(F_MUL, "F_MUL", _TWO, "arithmetic:mul", "dst = a * b, rounded to the kind, infinity counted"),
    _row(F_DIV, "F_DIV", _TWO, "arithmetic:div", "dst = a / b, rounded; b = 0 and infinity counted"),
    _row(F_NEG, "F_NEG", _ONE, "arithmetic:neg", "dst = -a"),
    _row(F_CONVERT, "F_CONVERT", "slot slot - kind", "float_convert", "dst = (kind) a, infinity counted"),
    _row(INT_TO_FLOAT, "INT_TO_FLOAT", "slot slot count kind", "from_int", "dst = (kind) a / 2**b"),
    _row(FLOAT_TO_INT, "FLOAT_TO_INT", "slot slot count kind", "to_int",
         "dst = (kind) (a * 2**b) toward zero; saturated (NaN: 0) and counted out of range"),
    _row(F_JUMP_LT, "F_JUMP_LT", _IF, "branch:lt", "if a < b goto extra"),
    _row(F_JUMP_LE, "F_JUMP_LE", _IF, "branch:lt", "if a <= b goto extra"),
    _row(F_JUMP_EQ, "F_JUMP_EQ", _IF, "branch:eq", "if a == b goto extra"),
    _row(F_JUMP_NOT_LT, "F_JUMP_NOT_LT", _IF, "branch:lt", "if not a < b goto extra"),
    _row(F_JUMP_NOT_LE, "F_JUMP_NOT_LE", _IF, "branch:lt", "if not a <= b goto extra"),
    _row(F_JUMP_NE, "F_JUMP_NE", _IF, "branch:eq", "if a != b goto extra"),
    _row(LOAD_AT, "LOAD_AT", "slot slot array length", "load_at",
         "dst = b[a]; the last element and counted where a is no index"),
    _row(STORE_AT, "STORE_AT", "array slot slot length", "store_at",
         "dst[b] = a; the last element and counted where b is no index"),
    _row(F_LOAD_AT, "F_LOAD_AT", "slot slot array length", "load_at", "as LOAD_AT"),
    _row(F_STORE_AT, "F_STORE_AT", "array slot slot length", "store_at", "as STORE_AT"),
    _row(SAT_ADD, "SAT_ADD", _TWO, "arithmetic:sat_add", "dst = a + b, held within the kind"),
    _row(SAT_SUB, "SAT_SUB", _TWO, "arithmetic:sat_sub", "dst = a - b, held within the kind"),
    _row(SAT_MUL_SHIFT, "SAT_MUL_SHIFT", "slot slot slot count", "multiply_wide:saturate",
         "dst = (wide) a * b >> extra, toward minus infinity, held within the kind"),
    _row(SAT_CONVERT, "SAT_CONVERT", "slot slot count kind", "saturate",
         "dst = a scaled by 2**b as CONVERT, held within the kind"),
    _row(SAT_FROM_FLOAT, "SAT_FROM_FLOAT", "slot slot count kind", "to_int",
         "dst = (kind) (a * 2**b) toward zero, held within the kind (NaN: 0)"),
    _row(WRAP_CONVERT, "WRAP_CONVERT", "slot slot - kind", "convert", "dst = low bits of a, wrap meant"),
    _row(MUL_WIDE, "MUL_WIDE", "slot slot slot kind", "widen", "dst = (kind) a * b, exact"),
    _row(WIDE_ADD, "WIDE_ADD", _TWO, "wide_arithmetic:add", "dst = a + b in 64 bits, wrap counted"),
    _row(WIDE_SUB, "WIDE_SUB", _TWO, "wide_arithmetic:sub", "dst = a - b in 64 bits, wrap counted"),
    _row(WIDE_MUL, "WIDE_MUL", _TWO, "wide_arithmetic:mul", "dst = a * b in 64 bits, wrap counted"),
    _row(WIDE_DIV, "WIDE_DIV", _TWO, "wide_arithmetic:div", "as DIV, in 64 bits"),
    _row(WIDE_MOD, "WIDE_MOD", _TWO, "wide_arithmetic:mod", "as MOD, in 64 bits"),
    _row(WIDE_NEG, "WIDE_NEG", _ONE, "wide_arithmetic:neg", "dst = -a in 64 bits, wrap counted"),
    _row(WIDE_SHL, "WIDE_SHL", "slot slot - count", "shift",
         "dst = a << extra in 64 bits, lost bits counted"),
    _row(WIDE_SHR, "WIDE_SHR", "slot slot - count", "shift", "dst = a >> extra in 64 bits"),
    _row(WIDE_CONVERT, "WIDE_CONVERT", "slot slot - kind", "convert",
         "dst = (kind) a to or from 64 bits; change of value counted"),
    _row(WIDE_JUMP_LT, "WIDE_JUMP_LT", _IF, "wide_branch:lt", "if a < b in 64 bits goto extra"),
    _row(WIDE_JUMP_LE, "WIDE_JUMP_LE", _IF, "wide_branch:lt", "if a <= b in 64 bits goto extra"),
)  # fmt: skip


def check_table(table: tuple[Opcode, ...]) -> None:
    """Refuse a table with a gap, a doubled name, an unknown operand role or cost rule, or no semantics.

    Raises:
        AssertionError: naming the opcode and what is wrong with it.
    """
    for position, opcode in enumerate(table):
        if opcode.number != position:
            raise AssertionError(f"opcode {opcode.name}: number {opcode.number} at position {position}")
        if unknown := set(opcode.shape) - set(OPERAND_ROLES):
            raise AssertionError(f"opcode {opcode.name}: unknown operand role {sorted(unknown)}")
        if opcode.cost_rule not in COST_RULES:
            raise AssertionError(f"opcode {opcode.name}: unknown cost rule {opcode.cost_rule!r}")
        if not opcode.semantics:
            raise AssertionError(f"opcode {opcode.name}: no semantics")
    if len({opcode.name for opcode in table}) != len(table):
        raise AssertionError("two opcodes have the same name")


check_table(OPCODES)
