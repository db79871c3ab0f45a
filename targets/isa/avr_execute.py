"""What each AVR instruction does to the registers, flags and memory of an `AvrState`.

Functions take the state and the operands in the order of `avr_encoding`; the program counter already points
behind the instruction. Semantics: AVR Instruction Set Manual, DS40002198A (2020), chapter 5.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from targets.isa.avr_encoding import PATTERNS
from targets.isa.avr_state import (
    AvrState,
    C,
    I,
    N,
    S,
    T,
    V,
    Z,
    added,
    set_logic_flags,
    set_word_flags,
    subtracted,
)

X, Y, ZP = 26, 28, 30  # pointer registers
IO_BASE: Final = 0x20


def _add(m: AvrState, d: int, r: int) -> None:
    m.data[d] = added(m, m.data[d], m.data[r], 0)


def _adc(m: AvrState, d: int, r: int) -> None:
    m.data[d] = added(m, m.data[d], m.data[r], m.flags[C])


def _sub(m: AvrState, d: int, r: int) -> None:
    m.data[d] = subtracted(m, m.data[d], m.data[r], 0)


def _sbc(m: AvrState, d: int, r: int) -> None:
    m.data[d] = subtracted(m, m.data[d], m.data[r], m.flags[C], m.flags[Z])


def _subi(m: AvrState, d: int, k: int) -> None:
    m.data[d] = subtracted(m, m.data[d], k, 0)


def _sbci(m: AvrState, d: int, k: int) -> None:
    m.data[d] = subtracted(m, m.data[d], k, m.flags[C], m.flags[Z])


def _cp(m: AvrState, d: int, r: int) -> None:
    subtracted(m, m.data[d], m.data[r], 0)


def _cpc(m: AvrState, d: int, r: int) -> None:
    subtracted(m, m.data[d], m.data[r], m.flags[C], m.flags[Z])


def _cpi(m: AvrState, d: int, k: int) -> None:
    subtracted(m, m.data[d], k, 0)


def _neg(m: AvrState, d: int) -> None:
    m.data[d] = subtracted(m, 0, m.data[d], 0)


def _logic(operate: Callable[[int, int], int], immediate: bool) -> Callable[..., None]:
    def execute(m: AvrState, d: int, other: int) -> None:
        result = operate(m.data[d], other if immediate else m.data[other])
        m.data[d] = result
        set_logic_flags(m, result)

    return execute


def _com(m: AvrState, d: int) -> None:
    m.data[d] = result = m.data[d] ^ 255
    set_logic_flags(m, result)
    m.flags[C] = 1


def _inc(m: AvrState, d: int) -> None:
    m.data[d] = result = m.data[d] + 1 & 255
    set_logic_flags(m, result)
    m.flags[V] = result == 0x80
    m.flags[S] = m.flags[N] ^ m.flags[V]


def _dec(m: AvrState, d: int) -> None:
    m.data[d] = result = m.data[d] - 1 & 255
    set_logic_flags(m, result)
    m.flags[V] = result == 0x7F
    m.flags[S] = m.flags[N] ^ m.flags[V]


def _swap(m: AvrState, d: int) -> None:
    value = m.data[d]
    m.data[d] = value >> 4 | (value & 15) << 4


def _shifted_right(m: AvrState, d: int, top: int) -> None:
    value = m.data[d]
    m.data[d] = result = top << 7 | value >> 1
    flags = m.flags
    flags[C] = value & 1
    flags[N] = result >> 7
    flags[V] = flags[N] ^ flags[C]
    flags[S] = flags[N] ^ flags[V]
    flags[Z] = result == 0


def _lsr(m: AvrState, d: int) -> None:
    _shifted_right(m, d, 0)


def _ror(m: AvrState, d: int) -> None:
    _shifted_right(m, d, m.flags[C])


def _asr(m: AvrState, d: int) -> None:
    _shifted_right(m, d, m.data[d] >> 7)


def _adiw(m: AvrState, d: int, k: int) -> None:
    before = m.pair(d)
    result = before + k & 0xFFFF
    m.set_pair(d, result)
    set_word_flags(m, result, carry=~result & before, overflow=~before & result)


def _sbiw(m: AvrState, d: int, k: int) -> None:
    before = m.pair(d)
    result = before - k & 0xFFFF
    m.set_pair(d, result)
    set_word_flags(m, result, carry=result & ~before, overflow=before & ~result)


def _signed(value: int) -> int:
    return value - 256 if value > 127 else value


def _multiply(signed_d: bool, signed_r: bool, fractional: bool) -> Callable[..., None]:
    def execute(m: AvrState, d: int, r: int) -> None:
        a = _signed(m.data[d]) if signed_d else m.data[d]
        b = _signed(m.data[r]) if signed_r else m.data[r]
        product = a * b & 0xFFFF
        m.flags[C] = product >> 15
        result = product << fractional & 0xFFFF
        m.set_pair(0, result)
        m.flags[Z] = result == 0

    return execute


def _mov(m: AvrState, d: int, r: int) -> None:
    m.data[d] = m.data[r]


def _movw(m: AvrState, d: int, r: int) -> None:
    m.data[d] = m.data[r]
    m.data[d + 1] = m.data[r + 1]


def _ldi(m: AvrState, d: int, k: int) -> None:
    m.data[d] = k


def _bset(m: AvrState, flag: int) -> None:
    m.flags[flag] = 1


def _bclr(m: AvrState, flag: int) -> None:
    m.flags[flag] = 0


def _bst(m: AvrState, d: int, bit: int) -> None:
    m.flags[T] = m.data[d] >> bit & 1


def _bld(m: AvrState, d: int, bit: int) -> None:
    m.data[d] = m.data[d] & ~(1 << bit) | m.flags[T] << bit


def _in(m: AvrState, d: int, io: int) -> None:
    m.data[d] = m.read(IO_BASE + io)


def _out(m: AvrState, d: int, io: int) -> None:
    m.write(IO_BASE + io, m.data[d])


def _sbi(m: AvrState, io: int, bit: int) -> None:
    m.write(IO_BASE + io, m.read(IO_BASE + io) | 1 << bit)


def _cbi(m: AvrState, io: int, bit: int) -> None:
    m.write(IO_BASE + io, m.read(IO_BASE + io) & ~(1 << bit))


def _lds(m: AvrState, d: int, address: int) -> None:
    m.data[d] = m.read(address)


def _sts(m: AvrState, d: int, address: int) -> None:
    m.write(address, m.data[d])


def _displaced(pointer: int, store: bool) -> Callable[..., None]:
    def load(m: AvrState, d: int, q: int) -> None:
        m.data[d] = m.read(m.pair(pointer) + q)

    def save(m: AvrState, d: int, q: int) -> None:
        m.write(m.pair(pointer) + q, m.data[d])

    return save if store else load


def _pointed(pointer: int, store: bool, before: int, after: int) -> Callable[..., None]:
    def execute(m: AvrState, d: int) -> None:
        address = m.pair(pointer) + before & 0xFFFF
        if store:
            m.write(address, m.data[d])
        else:
            m.data[d] = m.read(address)
        if before or after:
            m.set_pair(pointer, address + after)

    return execute


def _lpm(m: AvrState, d: int = 0) -> None:
    m.data[d] = m.flash[m.pair(ZP)]


def _lpm_inc(m: AvrState, d: int) -> None:
    m.data[d] = m.flash[m.pair(ZP)]
    m.set_pair(ZP, m.pair(ZP) + 1)


def _push(m: AvrState, d: int) -> None:
    m.push(m.data[d])


def _pop(m: AvrState, d: int) -> None:
    m.data[d] = m.pop()


def _rjmp(m: AvrState, k: int) -> None:
    m.pc = m.pc + k & m.pc_mask


def _rcall(m: AvrState, k: int) -> None:
    m.push_pc()
    m.pc = m.pc + k & m.pc_mask


def _jmp(m: AvrState, high: int, low: int) -> None:
    m.pc = high << 16 | low


def _call(m: AvrState, high: int, low: int) -> None:
    m.push_pc()
    m.pc = high << 16 | low


def _ijmp(m: AvrState) -> None:
    m.pc = m.pair(ZP)


def _icall(m: AvrState) -> None:
    m.push_pc()
    m.pc = m.pair(ZP)


def _ret(m: AvrState) -> None:
    m.pop_pc()


def _reti(m: AvrState) -> None:
    m.pop_pc()
    m.flags[I] = 1


def _brbs(m: AvrState, flag: int, k: int) -> None:
    if m.flags[flag]:
        m.pc += k


def _brbc(m: AvrState, flag: int, k: int) -> None:
    if not m.flags[flag]:
        m.pc += k


def _skip_if(test: Callable[[AvrState, int, int], bool]) -> Callable[..., None]:
    def execute(m: AvrState, a: int, b: int) -> None:
        if test(m, a, b):
            m.pc += m.words[m.pc]

    return execute


def _nop(m: AvrState) -> None:
    del m


_POINTERS: Final = {"x": X, "y": Y, "z": ZP}
_STEPS: Final = {"": (0, 0), "_inc": (0, 1), "_dec": (-1, 0)}

EXECUTE: Final[dict[str, Callable[..., None]]] = {
    "add": _add, "adc": _adc, "sub": _sub, "sbc": _sbc, "subi": _subi, "sbci": _sbci, "cp": _cp, "cpc": _cpc,
    "cpi": _cpi, "neg": _neg, "com": _com, "inc": _inc, "dec": _dec, "swap": _swap, "lsr": _lsr, "ror": _ror,
    "asr": _asr, "adiw": _adiw, "sbiw": _sbiw, "mov": _mov, "movw": _movw, "ldi": _ldi, "bset": _bset,
    "bclr": _bclr, "bst": _bst, "bld": _bld, "in": _in, "out": _out, "sbi": _sbi, "cbi": _cbi, "lds": _lds,
    "sts": _sts, "lpm_r0": _lpm, "lpm": _lpm, "lpm_inc": _lpm_inc, "push": _push, "pop": _pop, "rjmp": _rjmp,
    "rcall": _rcall, "jmp": _jmp, "call": _call, "ijmp": _ijmp, "icall": _icall, "ret": _ret, "reti": _reti,
    "brbs": _brbs, "brbc": _brbc, "nop": _nop, "wdr": _nop, "sleep": _nop,
    "and": _logic(int.__and__, immediate=False), "andi": _logic(int.__and__, immediate=True),
    "or": _logic(int.__or__, immediate=False), "ori": _logic(int.__or__, immediate=True),
    "eor": _logic(int.__xor__, immediate=False),
    "mul": _multiply(False, False, False), "muls": _multiply(True, True, False),
    "mulsu": _multiply(True, False, False), "fmul": _multiply(False, False, True),
    "fmuls": _multiply(True, True, True), "fmulsu": _multiply(True, False, True),
    "cpse": _skip_if(lambda m, d, r: m.data[d] == m.data[r]),
    "sbrc": _skip_if(lambda m, d, bit: not m.data[d] >> bit & 1),
    "sbrs": _skip_if(lambda m, d, bit: bool(m.data[d] >> bit & 1)),
    "sbic": _skip_if(lambda m, io, bit: not m.read(IO_BASE + io) >> bit & 1),
    "sbis": _skip_if(lambda m, io, bit: bool(m.read(IO_BASE + io) >> bit & 1)),
    **{f"ldd_{name}": _displaced(_POINTERS[name], store=False) for name in "yz"},
    **{f"std_{name}": _displaced(_POINTERS[name], store=True) for name in "yz"},
    **{
        f"{word}_{name}{step}": _pointed(_POINTERS[name], word == "st", *_STEPS[step])
        for word in ("ld", "st") for name in "xyz" for step in _STEPS
        if f"{word}_{name}{step}" in PATTERNS
    },
}  # fmt: skip


def _check_complete() -> None:
    if set(EXECUTE) != set(PATTERNS):
        raise AssertionError(f"AVR instructions without semantics: {set(PATTERNS) ^ set(EXECUTE)}")


_check_complete()
