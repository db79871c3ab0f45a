"""Short instruction sequences whose cycles follow from the manuals by hand, on every core."""

from __future__ import annotations

from pathlib import Path

import pytest

from targets.errors import InputError
from targets.isa import PIPELINES, load
from targets.isa.arm_timing import TIMINGS, division_cycles
from targets.isa.avr_encoding import decode
from targets.isa.riscv_timing import CLASSES, TWO_STAGE
from targets.isa.timing import Cycles, TimingTable, fixed
from tests.targets.isa.support import machine_of

AVR = "AVR Instruction Set Manual DS40002198A, AVRe"
M0 = "DDI 0432C Table 3-1"
M0P = "DDI 0484C Table 3-1"
M4 = "DDI 0439 Tables 3-1 and 7-1, P as in arm_timing"
# (core, instructions of a function, argument, cycles, how they add up, source)
SEQUENCES = [
    ("avr5", "adiw r24,1; ret", 1, 2 + 4, "ADIW 2, RET 4", AVR),
    ("avr5", "sbrc r24,0; nop; ret", 1, 1 + 1 + 4, "SBRC 1 without skip", AVR),
    ("avr5", "sbrc r24,0; nop; ret", 0, 2 + 4, "SBRC 2 over one word", AVR),
    ("avr5", "sbrc r24,0; lds r24,0x200; ret", 0, 3 + 4, "SBRC 3 over two words", AVR),
    ("avr5", "cpi r24,7; brlo 1f; nop; 1: ret", 3, 1 + 2 + 4, "BRLO taken 2", AVR),
    ("avr5", "cpi r24,7; brlo 1f; nop; 1: ret", 9, 1 + 1 + 1 + 4, "BRLO not taken 1", AVR),
    ("avr5", "push r24; pop r0; mul r24,r24; clr r1; ret", 3, 2 + 2 + 2 + 1 + 4, "2 each, EOR 1", AVR),
    ("avr5", "ldi r30,0; ldi r31,0; lpm r24,Z; ret", 0, 1 + 1 + 3 + 4, "LPM 3", AVR),
    ("avr5", "rcall 1f; call 1f; 1: ret", 0, (3 + 4) + (4 + 4) + 4, "RCALL 3, CALL 4, three RET", AVR),
    ("m0", "cmp r0,#7; bne 1f; nop; 1: bx lr", 7, 1 + 1 + 1 + 3, "BNE not taken 1, BX 3", M0),
    ("m0", "cmp r0,#7; bne 1f; nop; 1: bx lr", 8, 1 + 3 + 3, "BNE taken 3", M0),
    ("m0", "push {r4,lr}; pop {r4,pc}", 0, (1 + 2) + (4 + 2), "PUSH 1+N, POP with PC 4+N", M0),
    ("m0", "muls r0,r0; sub sp,#8; str r0,[sp]; ldr r0,[sp]; add sp,#8; bx lr", 3, 1 + 1 + 2 + 2 + 1 + 3,
     "MULS 1, STR 2, LDR 2", M0),
    ("m0plus", "cmp r0,#7; bne 1f; nop; 1: bx lr", 8, 1 + 2 + 2, "BNE taken 2, BX 2", M0P),
    ("m0plus", "push {r4,lr}; bl 1f; pop {r4,pc}; 1: bx lr", 0, 3 + 3 + 2 + 5, "BL 3, BX 2, POP 3+N", M0P),
    ("m3", "movs r1,#100; udiv r0,r0,r1; bx lr", 3, 1 + 2 + 3, "UDIV 2, quotient 0", M4),
    ("m3", "movs r1,#1; udiv r0,r0,r1; bx lr", 2**32 - 1, 1 + 12 + 3, "UDIV 12, full quotient", M4),
    ("m3", "mla r0,r0,r0,r0; bx lr", 3, 2 + 3, "MLA 2", "DDI 0337 Table 3-1"),
    ("m4f", "mla r0,r0,r0,r0; bx lr", 3, 1 + 3, "MLA 1", M4),
    ("m4f", "cmp r0,#7; ite eq; moveq r0,#1; movne r0,#0; bx lr", 7, 1 + 1 + 1 + 1 + 3,
     "IT 1, the instruction left out 1", M4),
    ("m4f", "cmp r0,#7; it ne; addne.w r0,r0,r0,lsl #2; add.w r0,r0,r0; bx lr", 7, 1 + 1 + 1 + 1 + 3,
     "a wide instruction left out 1", M4),
    ("m4f", "vmov s0,r0; vmul.f32 s0,s0,s0; vdiv.f32 s0,s0,s0; vmla.f32 s0,s0,s0; bx lr", 3,
     1 + 1 + 14 + 3 + 3, "VMOV 1, VMUL 1, VDIV 14, VMLA 3", M4),
    ("rv32imc", "li a1,7; div a0,a0,a1; mulh a0,a0,a1; mul a0,a0,a1; ret", 3, 1 + 35 + 3 + 1 + 3, "the class",
     "riscv_timing"),
    ("rv32imc", "beqz a0,1f; nop; 1: ret", 0, 3 + 3, "branch taken 3", "Ibex pipeline_details"),
    ("rv32imc", "beqz a0,1f; nop; 1: ret", 1, 1 + 1 + 3, "branch not taken 1", "Ibex pipeline_details"),
    ("rv32ec", "addi sp,sp,-16; sw a0,0(sp); lw a0,0(sp); addi sp,sp,16; ret", 1, 1 + 2 + 2 + 1 + 3,
     "store 2, load 2", "Ibex pipeline_details"),
]  # fmt: skip


def assembly(instructions: str) -> str:
    lines = "\\n".join(instructions.split("; "))
    return f'__asm__(".global f\\n.type f,%function\\n.balign 4\\nf:\\n{lines}\\n.size f,.-f\\n");\n'


@pytest.mark.parametrize("row", SEQUENCES, ids=[f"{row[0]}: {row[1]}"[:60] for row in SEQUENCES])
def test_a_sequence_takes_what_the_manual_adds_up_to(
    row: tuple[str, str, int, int, str, str], tmp_path: Path
) -> None:
    core, instructions, argument, cycles, _, _ = row
    kind = "u8" if core.startswith("avr") else "u32"
    source = assembly(instructions)
    if not core.startswith(("avr", "rv32")):
        source = source.replace('"', '".syntax unified\\n.thumb\\n', 1)
    machine = machine_of(source, core, tmp_path)
    assert machine.call("f", argument, signature=f"{kind} ->").cycles == cycles


def test_division_spans_the_published_range() -> None:
    """2..12 cycles (DDI 0337, DDI 0439), never less for a longer quotient."""
    counts = [division_cycles(2**bits, 1) for bits in range(32)]
    assert (min(counts), max(counts)) == (5, 12)
    assert counts == sorted(counts)
    assert division_cycles(6, 7) == division_cycles(0, 7) == 2


def test_a_core_without_multiplier_refuses_mul(tmp_path: Path) -> None:
    machine = machine_of(assembly("mul r24,r24; ret"), "avr5", tmp_path)
    assert machine.call("f", 3, signature="u8 ->").cycles == 2 + 4
    with pytest.raises(InputError, match="mul on a core without multiplier"):
        load(machine.image.path, "avr25").call("f", 3, signature="u8 ->")


@pytest.mark.parametrize(
    ("word", "name", "operands"),
    [  # opcode examples of the manual
        (0x0F01, "add", (16, 17)),
        (0x9631, "adiw", (30, 1)),
        (0xE0F1, "ldi", (31, 1)),
        (0xCFFF, "rjmp", (-1,)),
        (0x8189, "ldd_y", (24, 1)),
        (0x0178, "movw", (14, 16)),
        (0xB78D, "in", (24, 0x3D)),
        (0xF7F1, "brbc", (1, -2)),
    ],
)
def test_words_decode_as_in_the_manual(word: int, name: str, operands: tuple[int, ...]) -> None:
    assert decode(word) == (name, operands)


@pytest.mark.parametrize(
    ("source", "rows", "message"),
    [
        (" ", {"alu": fixed(1)}, "the source is missing"),
        ("a manual", {}, r"no row for \['alu'\]"),
        ("a manual", {"alu": fixed(1), "mul": fixed(1)}, r"no use for \['mul'\]"),
        ("a manual", {"alu": Cycles(3, 1)}, "1 <= next <= taken must hold"),
        ("a manual", {"alu": fixed(0)}, "1 <= next <= taken must hold"),
    ],
)
def test_a_faulty_timing_table_is_refused(source: str, rows: dict[str, Cycles], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        TimingTable("core", source, rows, ["alu"])


def test_the_baseline_cores_differ_only_where_control_changes() -> None:
    """M0 and M0+ share every class but special, POP with PC and the branches (M0TRM, M0PTRM)."""
    m0, m0plus = TIMINGS["m0"]["nominal"].rows, TIMINGS["m0plus"]["nominal"].rows
    different = {name for name in m0 if m0[name] != m0plus[name]}
    assert different == {name for name in m0 if "branch" in name} | {"special", "pop_pc", "write_pc"}


@pytest.mark.parametrize("core", ["m3", "m4f"])
def test_the_bounds_of_the_pipeline_enclose_the_nominal_one(core: str, tmp_path: Path) -> None:
    """P is 1..3 (DDI 0337, DDI 0439): a taken branch takes 2..4, a division 2..12."""
    source = assembly("cmp r0,#7; bne 1f; nop; 1: udiv r0,r0,r0; bx lr").replace(
        '"', '".syntax unified\\n.thumb\\n', 1
    )
    path = machine_of(source, core, tmp_path).image.path
    counts = [load(path, core, pipeline).call("f", 8, signature="u32 ->").cycles for pipeline in PIPELINES]
    unaligned = 1  # UDIV has 32 bits and lies 6 bytes into the function
    assert counts == [1 + 2 + unaligned + 5 + 3, 1 + 2 + 2 + 2, 1 + 4 + 12 + 4]
    for name, row in TIMINGS[core]["nominal"].rows.items():
        fastest, slowest = (TIMINGS[core][bound][name] for bound in ("fastest", "slowest"))
        assert fastest.taken <= row.taken <= slowest.taken
        assert fastest.next <= row.next <= slowest.next


RISCV_SOURCE = """
#include <stdint.h>
int32_t div32(int32_t a, int32_t b) { return a / b; }
int64_t mul64(int64_t a, int64_t b) { return a * b; }
int64_t div64(int64_t a, int64_t b) { return a / b; }
float add32(float a, float b) { return a + b; }
float quotient32(float a, float b) { return a / b; }
double product64(double a, double b) { return a * b; }
double quotient64(double a, double b) { return a / b; }
"""
# lowRISC Ibex, pipeline_details.rst: jumps 2, MULH 2 with the single-cycle multiplier, DIV 37.
IBEX_ROWS = {"jump_register": fixed(2), "multiply_high": fixed(2), "divide": fixed(37)}


@pytest.mark.parametrize("core", ["rv32imc", "rv32ec"])
def test_the_risc_v_class_is_close_to_the_one_published_core_of_its_kind(
    core: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = machine_of(RISCV_SOURCE, core, tmp_path).image.path
    calls = {
        "div32": (-123456, 789, "i32 i32 -> i32"), "mul64": (-123456789012, 34567, "i64 i64 -> i64"),
        "div64": (-(10**15), 10**7, "i64 i64 -> i64"), "add32": (1.234, 5.678, "f32 f32 -> f32"),
        "quotient32": (1.234, 5.678, "f32 f32 -> f32"), "product64": (1.234, 5.678, "f64 f64 -> f64"),
        "quotient64": (1.234, 5.678, "f64 f64 -> f64"),
    }  # fmt: skip

    def count() -> list[int]:
        machine = load(path, core)
        return [machine.call(name, a, b, signature=text).cycles for name, (a, b, text) in calls.items()]

    ours = count()
    rows = {**TWO_STAGE.rows, **IBEX_ROWS}
    monkeypatch.setattr("targets.isa.riscv.TWO_STAGE", TimingTable("Ibex", "see above", rows, CLASSES))
    # 6 %: one division of 35 in place of 37; 2 cycles: return and high product of the short functions.
    assert ours == pytest.approx(count(), rel=0.06, abs=2)
