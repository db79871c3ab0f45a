"""Machines whose instructions a general-purpose emulation library executes; we only count their cycles."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable
from typing import Any, ClassVar, Final, NamedTuple

from targets.errors import Fault, InputError
from targets.isa.image import Image, needs_extra
from targets.isa.machine import ENDLESS_CYCLES, Machine, Tally

FLASH_ADDRESS: Final = 0x08000000
RAM_ADDRESS: Final = 0x20000000
REGION_BYTES: Final = 1 << 20
RETURN_ADDRESS: Final = 0x0F000000  # nothing of the program lies here; reached by the last return
STACK_TOP: Final = RAM_ADDRESS + REGION_BYTES - 64


class Cell(NamedTuple):
    """What an instruction costs: where the next one lies, cycles going on, cycles going elsewhere.

    dynamic: cycles where registers or flags decide them, asked before the instruction is executed; None: the
    other two hold. frames: it saves or restores registers, or returns. jumps: it can send
    control elsewhere.
    """

    end: int
    next_cycles: int
    taken_cycles: int
    dynamic: Callable[[Any], int | None] | None = None
    frames: bool = False
    jumps: bool = True


def import_emulator() -> tuple[Any, Any]:
    """The modules unicorn and capstone. Raises InputError where the extra is missing."""
    try:
        import capstone
        import unicorn
    except ImportError as error:
        raise needs_extra(error.name or "unicorn") from error
    return unicorn, capstone


class EmulatedMachine(Machine):
    """Base of the 32-bit machines."""

    word_bytes: ClassVar[int] = 4
    stack_end: ClassVar[int] = STACK_TOP

    def __init__(self, image: Image, core: str) -> None:
        self.core = core
        self._waits, self._fetch_bytes, self._reads_ahead = 0, 1, False
        self._line, self._line_cycles = 0, 0  # the line of flash in use, cycles that it has been
        self._unicorn, self._capstone = import_emulator()
        super().__init__(image)

    def _load(self) -> None:
        self._cpu = self._new_cpu()
        self._disassembler = self._new_disassembler()
        self._disassembler.detail = True
        self._cells: dict[int, Cell] = {}
        for region, size in (
            (FLASH_ADDRESS, REGION_BYTES),
            (RAM_ADDRESS, REGION_BYTES),
            (RETURN_ADDRESS, 0x1000),
        ):
            self._cpu.mem_map(region, size)
        for segment in self.image.segments:
            self._cpu.mem_write(segment.address, segment.content)
        self._cpu.hook_add(self._unicorn.UC_HOOK_CODE, self._on_instruction)

    def _leave_memory_hook(self) -> None:
        """Called at the end of each hook of a memory access: mend what the library leaves behind."""

    def _code_address(self, address: int) -> int:
        return address

    def wait_for_flash(self, waits: int, fetch_bytes: int, reads_ahead: bool) -> None:
        """Let every instruction wait so many cycles for each line of flash it lies in that is not the one in
        use, from now on; where the flash reads ahead, for the line that follows it only what is left of a
        read that began with the line in use, even where a jump leads there. Constants that are read from
        flash count as lines of their own.

        Doubt: they neither stop nor replace what is read ahead, and a jump does not wait for its end.
        """
        self._waits, self._fetch_bytes, self._reads_ahead = waits, fetch_bytes, reads_ahead

        def read(_cpu: Any, _access: int, _at: int, _size: int, _value: int, _data: object) -> None:
            self._tally.cycles += waits
            self._leave_memory_hook()

        last = FLASH_ADDRESS + REGION_BYTES - 1
        self._cpu.hook_add(self._unicorn.UC_HOOK_MEM_READ, read, begin=FLASH_ADDRESS, end=last)

    def _waiting_cycles(self, start: int, end: int, cycles: int) -> int:
        """Waits for the flash lines of an instruction; the last of them is the one in use then, and the
        cycles of the instruction pass in it."""
        waited = 0
        for line in range(start // self._fetch_bytes, (end - 1) // self._fetch_bytes + 1):
            if line != self._line:
                is_read = self._reads_ahead and line == self._line + 1
                waited += max(0, self._waits - max(0, self._line_cycles - 1) * is_read)
                self._line, self._line_cycles = line, 0
        self._line_cycles += cycles
        return waited

    def _run(self, start: int, tally: Tally) -> None:
        self._tally = tally
        self._line, self._line_cycles = 0, 0  # of none of the code, whatever the last call has left
        self._at: tuple[int, Cell, int | None] | None = None
        self._failure: BaseException | None = None
        try:
            self._cpu.emu_start(self._entry(start), RETURN_ADDRESS)
        except self._unicorn.UcError as error:
            place = f"{self.image.path}: near {self._pc():#x}"
            fault = Fault(place, "the program must run on the core", str(error), "check the options")
            raise InputError([fault]) from error
        if self._failure is not None:
            raise self._failure
        self._charge(RETURN_ADDRESS)

    def _on_instruction(self, cpu: Any, address: int, _size: int, _data: object) -> None:
        """Called before each instruction: charges the one before, since it shows where that one went."""
        if self._failure is not None:
            return
        try:
            self._step(cpu, address)
        except BaseException as error:  # an exception must not cross the emulator; `_run` raises it
            self._failure = error
            cpu.emu_stop()

    def _step(self, cpu: Any, address: int) -> None:
        if address in self._stubs:
            self._at = None  # the instruction that called costs nothing
            self._answer(self._stubs[address], self._tally)
            self._leave_stub()
            return
        self._charge(address)
        cell = self._cells.get(address) or self._decode(address)
        self._at = (address, cell, cell.dynamic(cpu) if cell.dynamic else None)
        if self._tally.cycles > ENDLESS_CYCLES:
            raise self._endless(self._tally)

    def _charge(self, next_address: int) -> None:
        if self._at is None:
            return
        address, cell, cycles = self._at
        if cycles is None:
            cycles = cell.next_cycles if next_address == cell.end else cell.taken_cycles
        if next_address != cell.end:
            elsewhere = self._landing_cycles(next_address) if cell.jumps else None
            cycles += self._skipped_cycles(cell.end, next_address) if elsewhere is None else elsewhere
        cycles += self._waiting_cycles(address, cell.end, cycles)
        self._tally.cycles += cycles
        if cell.frames and address in self._tally.own:
            self._tally.frame_cycles += cycles

    def _decode(self, address: int) -> Cell:
        content = bytes(self._cpu.mem_read(address, 4))
        found = next(self._disassembler.disasm(content, address, 1), None)
        if found is None:
            raise self._illegal(address, content.hex())
        cell = self._cell(found)
        self._cells[address] = cell
        return cell

    def _illegal(self, address: int, found: str) -> InputError:
        place = f"{self.image.path}: {address:#x}"
        return InputError([Fault(place, "the timing table must know it", found, "add it to the table")])

    def _frame_bytes(self, start: int, size_bytes: int) -> int:
        cells = ((address, self._cells.get(address)) for address in range(start, start + size_bytes))
        return sum(cell.end - address for address, cell in cells if cell is not None and cell.frames)

    def _read_memory(self, address: int, size_bytes: int) -> bytes:
        return bytes(self._cpu.mem_read(address, size_bytes))

    def _write_memory(self, address: int, content: bytes) -> None:
        self._cpu.mem_write(address, content)

    def _watch_reads(self, address: int, size_bytes: int) -> None:
        def sample(cpu: Any, _access: int, _at: int, _size: int, _value: int, _data: object) -> None:
            cpu.mem_write(address, self._readers[address]().to_bytes(size_bytes, "little"))
            self._leave_memory_hook()

        # Its lowest byte only: a wide register that is read in parts is sampled once.
        self._cpu.hook_add(self._unicorn.UC_HOOK_MEM_READ, sample, begin=address, end=address)

    def _watch_writes(self, address: int, size_bytes: int) -> None:
        pending = bytearray(size_bytes)
        written: set[int] = set()

        def take(_cpu: Any, _access: int, at: int, size: int, value: int, _data: object) -> None:
            offset = at - address
            pending[offset : offset + size] = (value & (1 << 8 * size) - 1).to_bytes(size, "little")
            written.update(range(offset, offset + size))
            if len(written) == size_bytes:
                written.clear()
                self._writers[address](int.from_bytes(pending, "little"))
            self._leave_memory_hook()

        last = address + size_bytes - 1
        self._cpu.hook_add(self._unicorn.UC_HOOK_MEM_WRITE, take, begin=address, end=last)

    @abstractmethod
    def _new_cpu(self) -> Any: ...

    @abstractmethod
    def _new_disassembler(self) -> Any: ...

    @abstractmethod
    def _entry(self, start: int) -> int: ...

    @abstractmethod
    def _pc(self) -> int: ...

    @abstractmethod
    def _cell(self, instruction: Any) -> Cell: ...

    def _landing_cycles(self, target: int) -> int:
        """Cycles that a jump takes more because of the instruction it lands on."""
        del target
        return 0

    def _skipped_cycles(self, start: int, end: int) -> int:
        """Cycles of the instructions from `start` to `end` that were passed over without a jump."""
        raise AssertionError(f"control jumped from {start:#x} to {end:#x} without a jump")

    @abstractmethod
    def _leave_stub(self) -> None: ...
