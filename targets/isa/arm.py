"""Cortex-M machines: executed by unicorn, counted with the published timing tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from targets.errors import Fault, InputError
from targets.isa.arm_timing import (
    CLASS_OF,
    JUMP_CLASSES,
    LONG_MULTIPLICATION_BASE,
    TIMINGS,
    UNALIGNED_WIDE_TARGET_CYCLES,
    division_cycles,
)
from targets.isa.emulated import RETURN_ADDRESS, STACK_TOP, Cell, EmulatedMachine
from targets.isa.image import Image
from targets.isa.timing import Pipeline

_THUMB: Final = 1
_WORD: Final = 0xFFFFFFFF
_HALF_WORD: Final = 0xFFFF
_WITH_IT: Final = ("m3", "m4f")
_IT_STATE: Final = 0x0600FC00  # bits 15:10 and 26:25 of CPSR
_WIDE: Final = (0b11101, 0b11110, 0b11111)  # top bits of a 32-bit Thumb instruction
_JUMPS: Final = {
    "bl": "branch_link", "bx": "branch_exchange", "blx": "branch_link_exchange", "cbz": "compare_branch",
    "cbnz": "compare_branch",
}  # fmt: skip
_MULTIPLES: Final = {"push": 0, "pop": 0, "ldm": 1, "stm": 1, "ldmdb": 1, "stmdb": 1}  # operands not moved
_FLOAT_MULTIPLES: Final = {"vpush": 0, "vpop": 0, "vldmia": 1, "vstmia": 1, "vldmdb": 1, "vstmdb": 1}


class ArmMachine(EmulatedMachine):
    """A program for m0, m0plus, m3 (soft floats) or m4f (hard-float calling convention)."""

    def __init__(self, image: Image, core: str, pipeline: Pipeline = "nominal") -> None:
        self._timing = TIMINGS[core][pipeline]
        self._is_nominal = pipeline == "nominal"
        super().__init__(image, core)

    def _new_cpu(self) -> Any:
        unicorn, constants = self._unicorn, self._unicorn.arm_const
        cpu = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB)
        # An application core with the same Thumb-2 and VFP instructions: the emulated microcontroller cores
        # keep their FPU off, and only user code is run here.
        cpu.ctl_set_cpu_model(constants.UC_CPU_ARM_CORTEX_A15)
        enabled = cpu.reg_read(constants.UC_ARM_REG_C1_C0_2) | 0xF << 20
        cpu.reg_write(constants.UC_ARM_REG_C1_C0_2, enabled)
        cpu.reg_write(constants.UC_ARM_REG_FPEXC, 1 << 30)
        return cpu

    def _new_disassembler(self) -> Any:
        capstone = self._capstone
        return capstone.Cs(capstone.CS_ARCH_ARM, capstone.CS_MODE_THUMB | capstone.CS_MODE_MCLASS)

    def _entry(self, start: int) -> int:
        return start | _THUMB

    def _code_address(self, address: int) -> int:
        return address & ~_THUMB

    def _register(self, name: str) -> int:
        return int(getattr(self._unicorn.arm_const, f"UC_ARM_REG_{name}"))

    def _get(self, name: str) -> int:
        return int(self._cpu.reg_read(self._register(name)))

    def _set(self, name: str, value: int) -> None:
        self._cpu.reg_write(self._register(name), value)

    def _pc(self) -> int:
        return self._get("PC")

    def _prepare(self, arguments: list[tuple[int, str]]) -> None:
        self._set("SP", STACK_TOP)
        self._set("LR", RETURN_ADDRESS | _THUMB)
        for (bits, _), names in zip(arguments, self._places([k for _, k in arguments]), strict=True):
            self._put(names, bits)

    def _in_float_register(self, kind: str) -> bool:
        return self.core == "m4f" and kind.startswith("f")

    def _places(self, kinds: list[str]) -> list[tuple[str, ...]]:
        """Registers of each argument (AAPCS): 64 bits from an even register; floats of m4f apart."""
        places: list[tuple[str, ...]] = []
        core_words = float_words = 0
        for kind in kinds:
            words = (self.size_bytes(kind) + 3) // 4
            if self._in_float_register(kind):
                float_words += float_words % words
                places.append(tuple(f"S{float_words + w}" for w in range(words)))
                float_words += words
            else:
                core_words += core_words % words
                places.append(tuple(f"R{core_words + w}" for w in range(words)))
                core_words += words
        if core_words > 4 or float_words > 16:
            found = f"{core_words} words for r0..r3"
            fault = Fault(str(self.image.path), "arguments must fit the registers", found, "pass fewer")
            raise InputError([fault])
        return places

    def _put(self, names: tuple[str, ...], bits: int) -> None:
        for word, name in enumerate(names):
            self._set(name, bits >> 32 * word & _WORD)

    def _bits(self, names: tuple[str, ...]) -> int:
        return sum(self._get(name) << 32 * word for word, name in enumerate(names))

    def _argument_bits(self, kinds: tuple[str, ...]) -> list[int]:
        return [self._bits(names) for names in self._places(list(kinds))]

    def _result_bits(self, kind: str) -> int:
        return self._bits(self._places([kind])[0])

    def _set_result_bits(self, bits: int, kind: str) -> None:
        self._put(self._places([kind])[0], bits)

    def _leave_stub(self) -> None:
        self._set("PC", self._get("LR"))

    def _leave_memory_hook(self) -> None:
        """A hook within an IT block leaves that block's state behind (unicorn 2.1.4): what follows would
        depend on its condition, too."""
        if self.core in _WITH_IT:
            self._set("CPSR", self._get("CPSR") & ~_IT_STATE)

    def _cell(self, instruction: Any) -> Cell:
        group, registers = self._classify(instruction)
        if group not in self._timing.rows:
            raise self._illegal(instruction.address, f"{instruction.mnemonic} {instruction.op_str}")
        timing = self._timing[group]
        more = registers * timing.per_register
        end = instruction.address + instruction.size
        dynamic = self._dynamic(instruction, group)
        frames = instruction.insn_name() in ("push", "pop") or instruction.op_str == "lr"
        jumps = group in JUMP_CLASSES
        return Cell(end, timing.next + more, timing.taken + more, dynamic, frames, jumps)

    def _classify(self, instruction: Any) -> tuple[str, int]:
        """(class of the timing table, registers moved)."""
        name = _base_name(instruction)
        operands = instruction.operands
        if name in _MULTIPLES:
            loads_pc = name != "push" and self._names(instruction, operands[-1]) == "pc"
            return "pop_pc" if loads_pc else "multiple", len(operands) - _MULTIPLES[name]
        if name in _FLOAT_MULTIPLES:
            return "float_multiple", len(operands) - _FLOAT_MULTIPLES[name]
        if name == "b":
            always = instruction.cc == self._capstone.arm_const.ARM_CC_AL
            return "branch_always" if always else "branch", 0
        if name in _JUMPS:
            return _JUMPS[name], 0
        if name == "vmov":
            cores = sum(self._names(instruction, operand)[:1] in ("r", "l", "i", "f") for operand in operands)
            return "float_move_double" if cores >= 2 else "float_move", 0
        group = CLASS_OF.get(name, name)
        if operands and self._names(instruction, operands[0]) == "pc" and group in ("alu", "load"):
            return {"alu": "write_pc", "load": "load_pc"}[group], 0
        return group, 0

    def _names(self, instruction: Any, operand: Any) -> str:
        is_register = operand.type == self._capstone.arm_const.ARM_OP_REG
        return str(instruction.reg_name(operand.reg)) if is_register else ""

    def _dynamic(self, instruction: Any, group: str) -> Callable[[Any], int | None] | None:
        """Cycles that operands decide."""
        registers = [o.reg for o in instruction.operands if o.type == self._capstone.arm_const.ARM_OP_REG]
        names = [str(instruction.reg_name(register)).upper() for register in registers]
        signed = instruction.insn_name().startswith("s")
        if not self._is_nominal:
            return None
        if group == "divide":
            return lambda _: division_cycles(*(self._magnitude(name, signed) for name in names[-2:]))
        if group in LONG_MULTIPLICATION_BASE and self.core == "m3":
            base = LONG_MULTIPLICATION_BASE[group]
            return lambda _: base + sum(self._magnitude(name, signed) > _HALF_WORD for name in names[-2:])
        return None

    def _magnitude(self, name: str, signed: bool) -> int:
        value = self._get(name)
        return (1 << 32) - value if signed and value >> 31 else value

    def _landing_cycles(self, target: int) -> int:
        if target % 4 == 0 or target == RETURN_ADDRESS or not self._is_nominal:
            return 0
        first_half = int.from_bytes(self._read_memory(target, 2), "little")
        return UNALIGNED_WIDE_TARGET_CYCLES[self.core] if first_half >> 11 in _WIDE else 0

    def _skipped_cycles(self, start: int, end: int) -> int:
        """Instructions of an IT block whose condition does not hold take 1 cycle; no hook sees them."""
        content = bytes(self._cpu.mem_read(start, end - start))
        return sum(1 for _ in self._disassembler.disasm(content, start))


def _base_name(instruction: Any) -> str:
    """Mnemonic without width and condition, and without the S of the forms that set flags."""
    name = str(instruction.insn_name())
    return name[:-1] if name not in CLASS_OF and name[:-1] in CLASS_OF else name
