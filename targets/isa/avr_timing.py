"""Cycles of the classic AVR cores (AVRe, AVRe+), 16-bit program counter, internal SRAM."""

from __future__ import annotations

from typing import Final

from targets.isa.avr_encoding import PATTERNS
from targets.isa.timing import Cycles, TimingTable, fixed

# An instruction that skips takes 1 cycle more for each word it skips: SKIPS, counted by `targets.isa.avr`.
SKIPS: Final = ("cpse", "sbrc", "sbrs", "sbic", "sbis")
MULTIPLIER: Final = ("mul", "muls", "mulsu", "fmul", "fmuls", "fmulsu")

_TWO: Final = (
    *("adiw", "sbiw", "sbi", "cbi", "push", "pop", "lds", "sts", "rjmp", "ijmp", *MULTIPLIER),
    *(name for name in PATTERNS if name.startswith(("ld_", "ldd_", "st_", "std_"))),
)
_OTHERS: Final = {
    "brbs": Cycles(1, 2), "brbc": Cycles(1, 2), "jmp": fixed(3), "rcall": fixed(3), "icall": fixed(3),
    "call": fixed(4), "ret": fixed(4), "reti": fixed(4), "lpm": fixed(3), "lpm_inc": fixed(3),
    "lpm_r0": fixed(3),
}  # fmt: skip
_ONE: Final = tuple(name for name in PATTERNS if name not in (*_TWO, *_OTHERS))

CLASSIC: Final = TimingTable(
    core="AVRe and AVRe+",
    source="AVR Instruction Set Manual, DS40002198A (2020), tables 4-2..4-6, columns AVRe/AVRe+",
    rows={name: fixed(1) for name in _ONE} | {name: fixed(2) for name in _TWO} | _OTHERS,
    classes=PATTERNS,
)
