"""AVR machine of the classic cores: our own instruction model, counted with the manual's cycle table."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import ClassVar, Final, NamedTuple

from targets.errors import Fault, InputError
from targets.isa.avr_encoding import TWO_WORDS, decode
from targets.isa.avr_execute import EXECUTE
from targets.isa.avr_state import AvrState
from targets.isa.avr_timing import CLASSIC, MULTIPLIER, SKIPS
from targets.isa.image import Image
from targets.isa.machine import ENDLESS_CYCLES, Machine, Tally

DATA_SPACE: Final = 0x800000  # where the linker puts RAM in its one address space
STACK_TOP: Final = 0xFF00
RETURN_PC: Final = 0x7FFF  # outside every program of these cores' sizes; reached by the last return
MAX_FLASH_BYTES: Final = 2 * RETURN_PC
FIRST_ARGUMENT: Final = 26  # arguments go into registers downwards from r25, avr-gcc ABI
LAST_ARGUMENT: Final = 8
_FRAME: Final = ("push", "pop", "ret", "reti")


class _Core(NamedTuple):
    multiplies: bool
    pc_mask: int  # relative jumps wrap around at the end of flash: 8 KB is the most that RJMP and RCALL reach


_CORES: Final = {
    "avr2": _Core(False, 0x0FFF), "avr25": _Core(False, 0x0FFF), "avr4": _Core(True, 0x0FFF),
    "avr5": _Core(True, 0xFFFF),
}  # fmt: skip


class _Cell(NamedTuple):
    execute: Callable[..., None]
    operands: tuple[int, ...]
    next_pc: int
    cycles: int
    taken_cycles: int
    skips: bool
    frames: bool


class AvrMachine(Machine):
    """A program for the classic AVR cores (avr2, avr25, avr4, avr5 of avr-gcc)."""

    double_bytes: ClassVar[int] = 4  # avr-libc 2.0.0
    stack_end: ClassVar[int] = DATA_SPACE + STACK_TOP + 1  # the stack pointer points at the next free byte

    def __init__(self, image: Image, core: str) -> None:
        self._core = _CORES[core]
        super().__init__(image)

    def _load(self) -> None:
        flash = bytearray(MAX_FLASH_BYTES + 2)
        self._state = AvrState(bytes(flash), self._core.pc_mask)
        for segment in self.image.segments:
            flash[segment.load_address : segment.load_address + len(segment.content)] = segment.content
            if segment.address >= DATA_SPACE:
                start = segment.address - DATA_SPACE
                self._state.data[start : start + len(segment.content)] = segment.content
        self._state.flash = bytes(flash)
        self._cells: dict[int, _Cell] = {}

    def _code_address(self, address: int) -> int:
        return address // 2

    def _prepare(self, arguments: list[tuple[int, str]]) -> None:
        state = self._state
        state.sp = STACK_TOP
        state.pc = RETURN_PC
        state.push_pc()
        state.data[1] = 0
        for (bits, kind), register in zip(arguments, self._registers([k for _, k in arguments]), strict=True):
            size = self.size_bytes(kind)
            state.data[register : register + size] = bits.to_bytes(size, "little")

    def _registers(self, kinds: list[str]) -> list[int]:
        """Lowest register of each argument: sizes are rounded up to even."""
        registers = []
        register = FIRST_ARGUMENT
        for kind in kinds:
            register -= (self.size_bytes(kind) + 1) // 2 * 2
            registers.append(register)
        if register < LAST_ARGUMENT:
            found = f"{', '.join(kinds)} for r25..r8"
            fault = Fault(str(self.image.path), "arguments must fit the registers", found, "pass fewer")
            raise InputError([fault])
        return registers

    def _run(self, start: int, tally: Tally) -> None:
        state, cells, stubs = self._state, self._cells, self._stubs
        own = range(tally.own.start, tally.own.start + len(tally.own) // 2)
        state.pc = start
        cycles = last = 0
        while (pc := state.pc) != RETURN_PC:
            if pc in stubs:
                cycles -= last  # the instruction that called
                state.pop_pc()
                self._answer(stubs[pc], tally)
                last = 0
                continue
            cell = cells.get(pc) or self._decode(pc)
            state.pc = cell.next_pc
            cell.execute(state, *cell.operands)
            last = cell.cycles
            if state.pc != cell.next_pc:
                last = cell.cycles + state.pc - cell.next_pc if cell.skips else cell.taken_cycles
            cycles += last
            if cell.frames and pc in own:
                tally.frame_cycles += last
            if cycles > ENDLESS_CYCLES:
                tally.cycles += cycles
                raise self._endless(tally)
        tally.cycles += cycles

    def _decode(self, pc: int) -> _Cell:
        flash = self._state.flash
        word = int.from_bytes(flash[2 * pc : 2 * pc + 2], "little")
        try:
            name, operands = decode(word)
        except ValueError as error:
            raise self._illegal(pc, str(error)) from error
        if name in MULTIPLIER and not self._core.multiplies:
            raise self._illegal(pc, f"{name} on a core without multiplier")
        words = 2 if name in TWO_WORDS else 1
        if words == 2:
            operands = (*operands, int.from_bytes(flash[2 * pc + 2 : 2 * pc + 4], "little"))
        self._state.words[pc] = words
        if name in SKIPS:
            self._state.words[pc + 1] = self._words_at(pc + 1)
        timing = CLASSIC[name]
        cell = _Cell(
            EXECUTE[name], operands, pc + words, timing.next, timing.taken, name in SKIPS, name in _FRAME
        )
        self._cells[pc] = cell
        return cell

    def _words_at(self, pc: int) -> int:
        word = int.from_bytes(self._state.flash[2 * pc : 2 * pc + 2], "little")
        return 2 if decode(word).name in TWO_WORDS else 1

    def _illegal(self, pc: int, found: str) -> InputError:
        place = f"{self.image.path}: byte {2 * pc:#x}"
        return InputError([Fault(place, "the core must know every instruction", found, "check the options")])

    def _argument_bits(self, kinds: tuple[str, ...]) -> list[int]:
        registers = self._registers(list(kinds))
        return [self._bits(r, self.size_bytes(kind)) for r, kind in zip(registers, kinds, strict=True)]

    def _bits(self, register: int, size: int) -> int:
        return int.from_bytes(self._state.data[register : register + size], "little")

    def _result_register(self, kind: str) -> int:
        return FIRST_ARGUMENT - (self.size_bytes(kind) + 1) // 2 * 2

    def _result_bits(self, kind: str) -> int:
        return self._bits(self._result_register(kind), self.size_bytes(kind))

    def _set_result_bits(self, bits: int, kind: str) -> None:
        register, size = self._result_register(kind), self.size_bytes(kind)
        self._state.data[register : register + size] = bits.to_bytes(size, "little")

    def _frame_bytes(self, start: int, size_bytes: int) -> int:
        cells = ((pc, self._cells.get(pc)) for pc in range(start, start + size_bytes // 2))
        return sum(2 * (cell.next_pc - pc) for pc, cell in cells if cell is not None and cell.frames)

    def _read_memory(self, address: int, size_bytes: int) -> bytes:
        if address < DATA_SPACE:
            return self._state.flash[address : address + size_bytes]
        start = address - DATA_SPACE
        return bytes(self._state.data[start : start + size_bytes])

    def _write_memory(self, address: int, content: bytes) -> None:
        start = address - DATA_SPACE
        self._state.data[start : start + len(content)] = content

    def _watch_reads(self, address: int, size_bytes: int) -> None:
        state, start = self._state, address - DATA_SPACE

        def sample() -> int:
            state.data[start : start + size_bytes] = self._readers[address]().to_bytes(size_bytes, "little")
            return state.data[start]

        state.reads[start] = sample

    def _watch_writes(self, address: int, size_bytes: int) -> None:
        state, start = self._state, address - DATA_SPACE
        written: set[int] = set()

        def write(offset: int, _value: int) -> None:
            written.add(offset)
            if len(written) == size_bytes:
                written.clear()
                content = state.data[start : start + size_bytes]
                self._writers[address](int.from_bytes(content, "little"))

        for offset in range(size_bytes):
            state.writes[start + offset] = functools.partial(write, offset)
