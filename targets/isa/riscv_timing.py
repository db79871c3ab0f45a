"""Cycles of a two-stage in-order RISC-V core, and which instructions belong to which class."""

from __future__ import annotations

from typing import Final

from targets.isa.timing import Cycles, TimingTable, fixed

CLASS_OF: Final = {
    name: group
    for group, names in {
        "alu": "add addi sub and andi or ori xor xori sll slli srl srli sra srai slt slti sltu sltiu lui "
        "auipc nop c.add c.addi c.addi16sp c.addi4spn c.sub c.and c.andi c.or c.xor c.slli c.srli c.srai "
        "c.li c.lui c.mv c.nop",
        "load": "lb lbu lh lhu lw c.lw c.lwsp",
        "store": "sb sh sw c.sw c.swsp",
        "branch": "beq bne blt bltu bge bgeu c.beqz c.bnez",
        "jump": "jal c.j c.jal",
        "jump_register": "jalr c.jr c.jalr",
        "multiply": "mul",
        "multiply_high": "mulh mulhu mulhsu",
        "divide": "div divu rem remu",
    }.items()
    for name in names.split()
}
CLASSES: Final = tuple(dict.fromkeys(CLASS_OF.values()))

TWO_STAGE: Final = TimingTable(
    core="two-stage in-order class",
    source="""\
        as lowRISC Ibex, doc/03_reference/pipeline_details.rst (commit 8b8ee086), single-cycle multiplier, no
        branch-target ALU: ALU 1, load and store 2, branch 1 or 3, JAL 2, MUL 1; not as Ibex: JALR 3 (there
        2), MULH 3 (there 2, or 4 with the fast multiplier), DIV and REM 35 (there 37); whole
        routines differ by less than 6 %""",
    rows={
        "alu": fixed(1), "load": fixed(2), "store": fixed(2), "branch": Cycles(1, 3),
        "jump": fixed(2), "jump_register": fixed(3), "multiply": fixed(1), "multiply_high": fixed(3),
        "divide": fixed(35),
    },
    classes=CLASSES,
)  # fmt: skip
