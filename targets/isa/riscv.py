"""RISC-V machine (rv32imc, rv32ec): executed by unicorn, counted with the table of the two-stage class."""

from __future__ import annotations

from typing import Any, Final

from targets.errors import Fault, InputError
from targets.isa.emulated import RETURN_ADDRESS, STACK_TOP, Cell, EmulatedMachine
from targets.isa.riscv_timing import CLASS_OF, TWO_STAGE

_GLOBAL_POINTER: Final = "__global_pointer$"
_ARGUMENT_WORDS: Final = {"rv32imc": 8, "rv32ec": 6}  # a0..a7, a0..a5 in the RV32E calling convention


class RiscvMachine(EmulatedMachine):
    """A program for rv32imc or rv32ec, soft floats."""

    def _new_cpu(self) -> Any:
        unicorn = self._unicorn
        return unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)

    def _new_disassembler(self) -> Any:
        capstone = self._capstone
        return capstone.Cs(capstone.CS_ARCH_RISCV, capstone.CS_MODE_RISCV32 | capstone.CS_MODE_RISCVC)

    def _entry(self, start: int) -> int:
        return start

    def _register(self, name: str) -> int:
        return int(getattr(self._unicorn.riscv_const, f"UC_RISCV_REG_{name}"))

    def _pc(self) -> int:
        return int(self._cpu.reg_read(self._register("PC")))

    def _prepare(self, arguments: list[tuple[int, str]]) -> None:
        self._cpu.reg_write(self._register("SP"), STACK_TOP)
        self._cpu.reg_write(self._register("RA"), RETURN_ADDRESS)
        if (
            _GLOBAL_POINTER in self.image.symbols
        ):  # start-up code sets it; the linker shortens addresses by it
            self._cpu.reg_write(self._register("GP"), self.image.find(_GLOBAL_POINTER).address)
        for (bits, kind), place in zip(arguments, self._places([k for _, k in arguments]), strict=True):
            self._put(place, bits, self.size_bytes(kind))

    def _places(self, kinds: list[str]) -> list[int]:
        """First argument register of each: 64 bits take the next two, no alignment for soft floats."""
        places, place = [], 0
        for kind in kinds:
            places.append(place)
            place += (self.size_bytes(kind) + 3) // 4
        if place > _ARGUMENT_WORDS[self.core]:
            found = f"{place} words for {_ARGUMENT_WORDS[self.core]}"
            fault = Fault(str(self.image.path), "arguments must fit the registers", found, "pass fewer")
            raise InputError([fault])
        return places

    def _put(self, place: int, bits: int, size: int) -> None:
        for word in range((size + 3) // 4):
            self._cpu.reg_write(self._register(f"A{place + word}"), bits >> 32 * word & 0xFFFFFFFF)

    def _get(self, place: int, size: int) -> int:
        words = range((size + 3) // 4)
        return sum(self._cpu.reg_read(self._register(f"A{place + w}")) << 32 * w for w in words)

    def _argument_bits(self, kinds: tuple[str, ...]) -> list[int]:
        places = self._places(list(kinds))
        return [self._get(place, self.size_bytes(kind)) for place, kind in zip(places, kinds, strict=True)]

    def _result_bits(self, kind: str) -> int:
        return self._get(0, self.size_bytes(kind))

    def _set_result_bits(self, bits: int, kind: str) -> None:
        self._put(0, bits, self.size_bytes(kind))

    def _leave_stub(self) -> None:
        self._cpu.reg_write(self._register("PC"), self._cpu.reg_read(self._register("RA")))

    def _cell(self, instruction: Any) -> Cell:
        group = CLASS_OF.get(instruction.insn_name())
        if group is None:
            raise self._illegal(instruction.address, f"{instruction.mnemonic} {instruction.op_str}")
        timing = TWO_STAGE[group]
        end = instruction.address + instruction.size
        return Cell(end, timing.next, timing.taken, frames=_is_frame(instruction))


def _is_frame(instruction: Any) -> bool:
    """Moves the stack pointer, loads or stores relative to it, or returns."""
    name, operands = instruction.mnemonic, instruction.op_str
    returns = name == "ret" or (name, operands) == ("c.jr", "ra")
    return returns or operands.startswith("sp,") or operands.endswith("(sp)")
