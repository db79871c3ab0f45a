"""Compiled programs executed instruction by instruction: cycles, values, flash and RAM, measured.

Needs the extra `measure` (pyelftools, unicorn, capstone) and the cross-compilers of the cores.
"""

from pathlib import Path

from targets.isa.compiler import CORES, compile_c, compiler_version, toolchain_of
from targets.isa.image import read_image
from targets.isa.machine import CallResult, Machine
from targets.isa.timing import PIPELINES, Pipeline
from targets.isa.values import signature_of

__all__ = [
    "CORES", "PIPELINES", "CallResult", "Machine", "Pipeline", "compile_c", "compiler_version", "load",
    "signature_of", "toolchain_of",
]  # fmt: skip


def load(elf: Path, core: str, pipeline: Pipeline = "nominal") -> Machine:
    """The program `elf` on the core of that name (one of CORES), ready for calls.

    pipeline: which of the timings that the manual of the core leaves open; only m3 and m4f have several.
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

    return ArmMachine(image, core, pipeline)
