"""AVR instruction words: bit patterns from the AVR Instruction Set Manual, DS40002198A (2020), chapter 5.

A letter is a field. The field letters carry what the number means: `d r` registers, `D R` registers 16..31,
`e s` registers 16..23, `w v` even registers (pairs), `p` the pairs 24, 26, 28, 30, `K` constant, `q`
displacement, `A` I/O address, `b` bit, `f` flag, `k` signed word offset, `a` upper bits of a 22-bit address.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

PATTERNS: Final = {
    "add": "000011rdddddrrrr", "adc": "000111rdddddrrrr", "sub": "000110rdddddrrrr",
    "sbc": "000010rdddddrrrr", "and": "001000rdddddrrrr", "or": "001010rdddddrrrr",
    "eor": "001001rdddddrrrr", "mov": "001011rdddddrrrr", "cp": "000101rdddddrrrr",
    "cpc": "000001rdddddrrrr", "cpse": "000100rdddddrrrr", "mul": "100111rdddddrrrr",
    "movw": "00000001wwwwvvvv", "muls": "00000010DDDDRRRR", "mulsu": "000000110eee0sss",
    "fmul": "000000110eee1sss", "fmuls": "000000111eee0sss", "fmulsu": "000000111eee1sss",
    "cpi": "0011KKKKDDDDKKKK", "sbci": "0100KKKKDDDDKKKK", "subi": "0101KKKKDDDDKKKK",
    "ori": "0110KKKKDDDDKKKK", "andi": "0111KKKKDDDDKKKK", "ldi": "1110KKKKDDDDKKKK",
    "com": "1001010ddddd0000", "neg": "1001010ddddd0001", "swap": "1001010ddddd0010",
    "inc": "1001010ddddd0011", "asr": "1001010ddddd0101", "lsr": "1001010ddddd0110",
    "ror": "1001010ddddd0111", "dec": "1001010ddddd1010",
    "bset": "100101000fff1000", "bclr": "100101001fff1000",
    "bst": "1111101ddddd0bbb", "bld": "1111100ddddd0bbb",
    "adiw": "10010110KKppKKKK", "sbiw": "10010111KKppKKKK",
    "cbi": "10011000AAAAAbbb", "sbi": "10011010AAAAAbbb",
    "sbic": "10011001AAAAAbbb", "sbis": "10011011AAAAAbbb",
    "sbrc": "1111110ddddd0bbb", "sbrs": "1111111ddddd0bbb",
    "in": "10110AAdddddAAAA", "out": "10111AAdddddAAAA",
    "ldd_y": "10q0qq0ddddd1qqq", "ldd_z": "10q0qq0ddddd0qqq",
    "std_y": "10q0qq1ddddd1qqq", "std_z": "10q0qq1ddddd0qqq",
    "ld_x": "1001000ddddd1100", "ld_x_inc": "1001000ddddd1101", "ld_x_dec": "1001000ddddd1110",
    "ld_y_inc": "1001000ddddd1001", "ld_y_dec": "1001000ddddd1010",
    "ld_z_inc": "1001000ddddd0001", "ld_z_dec": "1001000ddddd0010",
    "st_x": "1001001ddddd1100", "st_x_inc": "1001001ddddd1101", "st_x_dec": "1001001ddddd1110",
    "st_y_inc": "1001001ddddd1001", "st_y_dec": "1001001ddddd1010",
    "st_z_inc": "1001001ddddd0001", "st_z_dec": "1001001ddddd0010",
    "lds": "1001000ddddd0000", "sts": "1001001ddddd0000",
    "lpm_r0": "1001010111001000", "lpm": "1001000ddddd0100", "lpm_inc": "1001000ddddd0101",
    "push": "1001001ddddd1111", "pop": "1001000ddddd1111",
    "rjmp": "1100kkkkkkkkkkkk", "rcall": "1101kkkkkkkkkkkk",
    "jmp": "1001010aaaaa110a", "call": "1001010aaaaa111a",
    "ijmp": "1001010000001001", "icall": "1001010100001001",
    "ret": "1001010100001000", "reti": "1001010100011000",
    "brbs": "111100kkkkkkkfff", "brbc": "111101kkkkkkkfff",
    "nop": "0000000000000000", "wdr": "1001010110101000", "sleep": "1001010110001000",
}  # fmt: skip
TWO_WORDS: Final = ("lds", "sts", "jmp", "call")  # the second word is the last operand

# Letter -> (first number, step) where a field does not stand for itself.
_NUMBERING: Final = {
    "D": (16, 1),
    "R": (16, 1),
    "e": (16, 1),
    "s": (16, 1),
    "w": (0, 2),
    "v": (0, 2),
    "p": (24, 2),
}


class Decoded(NamedTuple):
    """An instruction word, taken apart: operands in the order destination or field letters first met."""

    name: str
    operands: tuple[int, ...]


@dataclass(frozen=True)
class _Form:
    name: str
    mask: int
    value: int
    fields: tuple[tuple[str, tuple[int, ...]], ...]  # letter, bit positions from the highest

    def read(self, word: int) -> Decoded:
        return Decoded(self.name, tuple(self._field(word, *item) for item in self.fields))

    def _field(self, word: int, letter: str, bits: tuple[int, ...]) -> int:
        value = 0
        for bit in bits:
            value = 2 * value + (word >> bit & 1)
        if letter == "k":
            return value - (1 << len(bits)) if value >> (len(bits) - 1) else value
        first, step = _NUMBERING.get(letter, (0, 1))
        return first + step * value


_ORDER: Final = "dDewpAfrRsvKqbka"  # destination first, as the manual writes operands


def _form(name: str, pattern: str) -> _Form:
    mask = int("".join("1" if sign in "01" else "0" for sign in pattern), 2)
    value = int("".join(sign if sign in "01" else "0" for sign in pattern), 2)
    letters = sorted(set(pattern) - set("01"), key=_ORDER.index)
    bits = {letter: tuple(15 - i for i, sign in enumerate(pattern) if sign == letter) for letter in letters}
    return _Form(name, mask, value, tuple(bits.items()))


FORMS: Final = tuple(_form(name, pattern) for name, pattern in PATTERNS.items())


def _check_forms() -> None:
    """No word may have two meanings."""
    for index, one in enumerate(FORMS):
        if len(PATTERNS[one.name]) != 16:
            raise AssertionError(f"{one.name}: a pattern has 16 bits")
        for other in FORMS[:index]:
            common = one.mask & other.mask
            if one.value & common == other.value & common:
                raise AssertionError(f"{one.name} and {other.name} share words")


_check_forms()


def decode(word: int) -> Decoded:
    """The instruction that begins with `word`. Raises ValueError where there is none."""
    for form in FORMS:
        if word & form.mask == form.value:
            return form.read(word)
    raise ValueError(f"no AVR instruction of the classic core starts with {word:#06x}")
