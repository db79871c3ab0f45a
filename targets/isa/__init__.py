"""Compiled programs executed instruction by instruction: cycles, values, flash and RAM, measured.

Needs the extra `measure` (pyelftools, unicorn, capstone) and the cross-compilers of the cores.
"""

from pathlib import Path

from targets.isa.compiler import CORES, compile_c, compiler_version, toolchain_of
from targets.isa.image import read_image
from targets.isa.machine import CallResult, Machine

__all__ = ["CORES", "CallResult", "Machine", "compile_c", "compiler_version", "load", "toolchain_of"]


def load(elf: Path, core: str) -> Machine:
    """The program `elf` on the core of that name (one of CORES), ready for calls.

    Raises InputError where the core is not modelled, the file is no program, or the extra is missing.
    """
    toolchain_of(core)
    image = read_image(elf)
    if core.startswith("avr"):
        from targets.isa.avr import AvrMachine

        return AvrMachine(image, core)
    if core.startswith("rv32"):
        from targets.isa.riscv import RiscvMachine

        return RiscvMachine(image, core)
    from targets.isa.arm import ArmMachine

    return ArmMachine(image, core)
