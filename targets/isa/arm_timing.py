"""Cycles of the Cortex-M cores by instruction class, zero wait states; which instruction is which class."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from targets.isa.timing import PIPELINES, Cycles, Pipeline, TimingTable, fixed

# By base mnemonic. `push pop ldm stm b bl ...` and everything that writes the program counter are told apart
# by `targets.isa.arm`, since the operands decide.
CLASS_OF: Final = {
    name: group
    for group, names in {
        "alu": "add adc sub sbc rsb mov mvn movw movt cmp cmn and orr orn eor bic tst teq lsl lsr asr ror "
        "rrx sxtb sxth uxtb uxth rev rev16 revsh rbit clz ssat usat ubfx sbfx bfi bfc adr nop hint addw subw "
        "sel pkhbt pkhtb sxtab sxtah uxtab uxtah",
        "multiply": "mul muls smulbb smultb smulbt smultt",
        "multiply_add": "mla smlabb",
        "multiply_subtract": "mls",
        "multiply_long": "smull umull",
        "multiply_long_add": "smlal umlal umaal",
        "divide": "sdiv udiv",
        "load": "ldr ldrb ldrh ldrsb ldrsh",
        "store": "str strb strh",
        "load_double": "ldrd",
        "store_double": "strd",
        "it": "it",
        "table_branch": "tbb tbh",
        "special": "mrs msr cpsie cpsid dmb dsb isb",
        "float": "vabs vneg vadd vsub vmul vnmul vcmp vcmpe vcvt vcvtr vmrs vmsr fmstat fconsts fconstd",
        "float_multiply_add": "vmla vmls vnmla vnmls vfma vfms vfnma vfnms",
        "float_divide": "vdiv vsqrt",
        "float_load": "vldr",
        "float_store": "vstr",
    }.items()
    for name in names.split()
}
# Told apart by operands: registers of `multiple` and `float_multiple` come on top, one cycle each.
OTHER_CLASSES: Final = (
    "multiple", "pop_pc", "branch", "branch_always", "branch_link", "branch_exchange", "branch_link_exchange",
    "compare_branch", "write_pc", "load_pc", "float_multiple", "float_move", "float_move_double",
)  # fmt: skip
JUMP_CLASSES: Final = (
    "pop_pc", "branch", "branch_always", "branch_link", "branch_exchange", "branch_link_exchange",
    "compare_branch", "write_pc", "load_pc", "table_branch",
)  # fmt: skip
CLASSES: Final = (*dict.fromkeys(CLASS_OF.values()), *OTHER_CLASSES)

_BASELINE_CLASSES: Final = (
    "alu", "multiply", "load", "store", "special", "multiple", "pop_pc", "branch", "branch_always",
    "branch_link", "branch_exchange", "branch_link_exchange", "write_pc",
)  # fmt: skip

_M0_ROWS: Final = {
    "alu": fixed(1), "multiply": fixed(1), "load": fixed(2), "store": fixed(2), "special": fixed(4),
    "multiple": fixed(1, per_register=1), "pop_pc": fixed(4, per_register=1), "branch": Cycles(1, 3),
    "branch_always": fixed(3), "branch_link": fixed(4), "branch_exchange": fixed(3),
    "branch_link_exchange": fixed(3), "write_pc": fixed(3),
}  # fmt: skip
_M0PLUS_ROWS: Final = _M0_ROWS | {
    "special": fixed(3), "pop_pc": fixed(3, per_register=1), "branch": Cycles(1, 2),
    "branch_always": fixed(2), "branch_link": fixed(3), "branch_exchange": fixed(2),
    "branch_link_exchange": fixed(2), "write_pc": fixed(2),
}  # fmt: skip

# A jump takes 1 (2 where it loads its target) and the pipeline refill P of 1..3, by alignment and width of
# the target (DDI 0337, DDI 0439). Nominal P: 1 where the target stands in the instruction, 2 for BX, 3 for
# POP (from memory, check); the manuals do not tell more closely, hence three tables.
_JUMP_BASE_CYCLES: Final = {
    "branch": 1, "branch_always": 1, "branch_link": 1, "branch_exchange": 1, "branch_link_exchange": 1,
    "compare_branch": 1, "write_pc": 1, "pop_pc": 1, "load_pc": 2, "table_branch": 2,
}  # fmt: skip
_NOMINAL_REFILL: Final = {
    "branch": 1, "branch_always": 1, "branch_link": 1, "compare_branch": 1, "branch_exchange": 2,
    "branch_link_exchange": 2, "write_pc": 2, "load_pc": 2, "table_branch": 2, "pop_pc": 3,
}  # fmt: skip


def _jump_rows(refill: Mapping[str, int]) -> dict[str, Cycles]:
    """Rows of everything that jumps, for the refill of each class."""
    rows = {}
    for name, base in _JUMP_BASE_CYCLES.items():
        conditional = name in ("branch", "compare_branch")
        taken = base + refill[name]
        rows[name] = Cycles(base if conditional else taken, taken, 1 if name == "pop_pc" else 0)
    return rows


# Loads take 2; back to back they may pipeline to 1, which only the fastest table counts. Division depends on
# the operands (`division_cycles`), and so do the M3's long products (LONG_MULTIPLICATION_BASE): the rows here
# are the longest.
_M3_ROWS: Final = {
    "alu": fixed(1), "multiply": fixed(1), "multiply_add": fixed(2), "multiply_subtract": fixed(2),
    "multiply_long": fixed(5), "multiply_long_add": fixed(7), "divide": fixed(12), "load": fixed(2),
    "store": fixed(2), "load_double": fixed(3), "store_double": fixed(3), "it": fixed(1),
    "special": fixed(2), "multiple": fixed(1, per_register=1),
}  # fmt: skip
_M4F_ROWS: Final = _M3_ROWS | {
    "multiply_add": fixed(1), "multiply_subtract": fixed(1), "multiply_long": fixed(1),
    "multiply_long_add": fixed(1), "float": fixed(1), "float_multiply_add": fixed(3),
    "float_divide": fixed(14), "float_load": fixed(2), "float_store": fixed(2),
    "float_multiple": fixed(1, per_register=1), "float_move": fixed(1), "float_move_double": fixed(2),
}  # fmt: skip
_M3_SHORTEST: Final = {
    "multiply_long": fixed(3), "multiply_long_add": fixed(4), "divide": fixed(2), "load": fixed(1),
}  # fmt: skip
_M4F_SHORTEST: Final = {"divide": fixed(2), "load": fixed(1)}

# Nominal tables: a jump to a 32-bit instruction that is not word-aligned needs one fetch more (how much, from
# memory, check).
UNALIGNED_WIDE_TARGET_CYCLES: Final = {"m0": 0, "m0plus": 0, "m3": 1, "m4f": 1}

# Long products of the M3 take 3..5 cycles, with accumulation 4..7, with early termination (DDI 0337); which
# bits decide it does not say. Assumed, check: one cycle more for each factor above 16 bits.
LONG_MULTIPLICATION_BASE: Final = {"multiply_long": 3, "multiply_long_add": 4}


def _one_table(table: TimingTable) -> dict[Pipeline, TimingTable]:
    """For cores whose manual leaves no choice."""
    return dict.fromkeys(PIPELINES, table)


def _three_tables(
    core: str, source: str, rows: Mapping[str, Cycles], shortest: Mapping[str, Cycles], classes: Iterable[str]
) -> dict[Pipeline, TimingTable]:
    refills = {"nominal": _NOMINAL_REFILL} | {
        name: dict.fromkeys(_JUMP_BASE_CYCLES, refill) for name, refill in (("fastest", 1), ("slowest", 3))
    }
    return {
        pipeline: TimingTable(
            core,
            source,
            {**rows, **_jump_rows(refills[pipeline]), **(shortest if pipeline == "fastest" else {})},
            classes,
        )
        for pipeline in PIPELINES
    }


TIMINGS: Final[dict[str, dict[Pipeline, TimingTable]]] = {
    "m0": _one_table(
        TimingTable(
            "Cortex-M0",
            "Arm Cortex-M0 TRM, DDI 0432C, Table 3-1; one-cycle multiplier",
            _M0_ROWS,
            _BASELINE_CLASSES,
        )
    ),
    "m0plus": _one_table(
        TimingTable(
            "Cortex-M0+",
            "Arm Cortex-M0+ TRM, DDI 0484C, Table 3-1; one-cycle multiplier; branches from memory, check",
            _M0PLUS_ROWS,
            _BASELINE_CLASSES,
        )
    ),
    "m3": _three_tables(
        "Cortex-M3",
        "Arm Cortex-M3 TRM, DDI 0337, Table 3-1; P and loads from memory, check",
        _M3_ROWS,
        _M3_SHORTEST,
        tuple(name for name in CLASSES if not name.startswith("float")),
    ),
    "m4f": _three_tables(
        "Cortex-M4F",
        "Arm Cortex-M4 TRM, DDI 0439, Tables 3-1 and 7-1; P and loads from memory, check",
        _M4F_ROWS,
        _M4F_SHORTEST,
        CLASSES,
    ),
}


def division_cycles(dividend: int, divisor: int) -> int:
    """SDIV and UDIV with early out: 2 where the quotient is 0, else 5 + (bits of the quotient - 1) / 4.

    DDI 0337 and DDI 0439 give 2..12 and say that leading bits of both operands decide; how, they do not.
    Magnitudes of 1 to 32 bits; the rule spans the published range (12 for 32 bits of quotient).
    """
    if divisor == 0 or dividend < divisor:
        return 2
    return 5 + (dividend.bit_length() - divisor.bit_length()) // 4
