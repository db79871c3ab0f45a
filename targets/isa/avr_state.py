"""State of an AVR core of the classic kind: registers, flags, data space, program counter."""

from __future__ import annotations

from collections.abc import Callable

C, Z, N, V, S, H, T, I = range(8)  # noqa: E741 - the names of the manual


class AvrState:
    """Registers and data space in one array, flags (C Z N V S H T I), program counter [words], stack pointer.

    `reads` and `writes` hold the data addresses that something watches.
    """

    __slots__ = ("data", "flags", "flash", "pc", "pc_mask", "reads", "sp", "words", "writes")

    def __init__(self, flash: bytes, pc_mask: int) -> None:
        self.data = bytearray(0x10000)
        self.flags = [0] * 8
        self.flash = flash
        self.pc = 0
        self.pc_mask = pc_mask  # relative jumps wrap around at the end of flash
        self.sp = 0
        self.words: dict[int, int] = {}  # pc -> length of the instruction there, filled as it is decoded
        self.reads: dict[int, Callable[[], int]] = {
            0x5D: lambda: self.sp & 255,
            0x5E: lambda: self.sp >> 8,
            0x5F: lambda: sum(flag << bit for bit, flag in enumerate(self.flags)),
        }
        self.writes: dict[int, Callable[[int], None]] = {
            0x5D: lambda value: setattr(self, "sp", self.sp & 0xFF00 | value),
            0x5E: lambda value: setattr(self, "sp", self.sp & 0xFF | value << 8),
            0x5F: self._set_flags,
        }

    def _set_flags(self, value: int) -> None:
        self.flags[:] = [value >> bit & 1 for bit in range(8)]

    def read(self, address: int) -> int:
        """One byte of the data space."""
        if address in self.reads:
            return self.reads[address]()
        return self.data[address]

    def write(self, address: int, value: int) -> None:
        """One byte into the data space."""
        self.data[address] = value
        if address in self.writes:
            self.writes[address](value)

    def pair(self, low: int) -> int:
        """The 16 bits of registers low and low + 1."""
        return self.data[low] | self.data[low + 1] << 8

    def set_pair(self, low: int, value: int) -> None:
        """Registers low and low + 1 from 16 bits."""
        self.data[low] = value & 255
        self.data[low + 1] = value >> 8 & 255

    def push(self, value: int) -> None:
        """One byte onto the stack."""
        self.data[self.sp] = value
        self.sp -= 1

    def pop(self) -> int:
        """One byte off the stack."""
        self.sp += 1
        return self.data[self.sp]

    def push_pc(self) -> None:
        """The return address onto the stack."""
        self.push(self.pc & 255)
        self.push(self.pc >> 8)

    def pop_pc(self) -> None:
        """Return to the address on the stack."""
        self.pc = self.pop() << 8 | self.pop()


def set_logic_flags(m: AvrState, result: int) -> None:
    """Flags of the logic instructions: Z, N, S of the result, V cleared."""
    flags = m.flags
    flags[V] = 0
    flags[N] = flags[S] = result >> 7
    flags[Z] = result == 0


def added(m: AvrState, a: int, b: int, carry: int) -> int:
    """a + b + carry of two bytes; sets all flags but T and I."""
    total = a + b + carry
    result = total & 255
    flags = m.flags
    flags[C] = total >> 8
    flags[H] = ((a & 15) + (b & 15) + carry) >> 4
    flags[V] = ((a ^ result) & (b ^ result)) >> 7
    flags[N] = result >> 7
    flags[S] = flags[N] ^ flags[V]
    flags[Z] = result == 0
    return result


def subtracted(m: AvrState, a: int, b: int, carry: int, zero_before: int = 1) -> int:
    """a - b - carry of two bytes; Z stays clear where it was clear before, if `zero_before` is 0."""
    total = a - b - carry
    result = total & 255
    flags = m.flags
    flags[C] = total < 0
    flags[H] = (a & 15) - (b & 15) - carry < 0
    flags[V] = ((a ^ b) & (a ^ result)) >> 7
    flags[N] = result >> 7
    flags[S] = flags[N] ^ flags[V]
    flags[Z] = result == 0 and zero_before
    return result


def set_word_flags(m: AvrState, result: int, carry: int, overflow: int) -> None:
    """Flags of ADIW and SBIW; `carry` and `overflow` count by their bit 15."""
    flags = m.flags
    flags[C], flags[V], flags[N] = carry >> 15 & 1, overflow >> 15 & 1, result >> 15
    flags[S] = flags[N] ^ flags[V]
    flags[Z] = result == 0
