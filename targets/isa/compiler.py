"""The cores that are modelled, the compiler of each with its options, and the way from C to a program."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from targets.errors import Fault, InputError

# No start-up code: the machines load initial values straight into RAM. Flash and RAM addresses are those that
# cores of the family use; nothing depends on them.
_BARE: Final = (
    "-nostartfiles",
    "-nostdlib",
    "-Wl,-n",
    "-Wl,--entry=0",
    "-Wl,-Ttext=0x08000000",
    "-Wl,-Tdata=0x20000000",
)


@dataclass(frozen=True, slots=True)
class Toolchain:
    """Compiler command, what the machine options are, and the Debian packages that hold it."""

    compiler: str
    options: tuple[str, ...]
    link_options: tuple[str, ...]
    libraries: tuple[str, ...]
    packages: str


def _avr(machine: str) -> Toolchain:
    options, link = (f"-mmcu={machine}",), ("-nostartfiles", "-Wl,--entry=0")
    return Toolchain("avr-gcc", options, link, ("-lm", "-lc"), "gcc-avr avr-libc")


def _arm(*options: str) -> Toolchain:
    packages = "gcc-arm-none-eabi libnewlib-arm-none-eabi"
    return Toolchain("arm-none-eabi-gcc", ("-mthumb", *options), _BARE, ("-lgcc",), packages)


def _riscv(*options: str) -> Toolchain:
    packages = "gcc-riscv64-unknown-elf"
    return Toolchain("riscv64-unknown-elf-gcc", ("-ffreestanding", *options), _BARE, ("-lgcc",), packages)


# avr2 and avr4 (no MUL and no MOVW; MUL) serve the check against the published AVR-LibC table.
TOOLCHAINS: Final = {
    "avr2": _avr("avr2"),
    "avr25": _avr("avr25"),
    "avr4": _avr("avr4"),
    "avr5": _avr("avr5"),
    "m0": _arm("-mcpu=cortex-m0"),
    "m0plus": _arm("-mcpu=cortex-m0plus"),
    "m3": _arm("-mcpu=cortex-m3"),
    "m4f": _arm("-mcpu=cortex-m4", "-mfpu=fpv4-sp-d16", "-mfloat-abi=hard"),
    "rv32imc": _riscv("-march=rv32imc", "-mabi=ilp32"),
    "rv32ec": _riscv("-march=rv32ec", "-mabi=ilp32e"),
}
CORES: Final = tuple(TOOLCHAINS)


def toolchain_of(core: str) -> Toolchain:
    """The compiler of a core. Raises InputError where the core is not modelled."""
    if core not in TOOLCHAINS:
        fault = Fault("core", "the core must be modelled", repr(core), f"use one of {', '.join(CORES)}")
        raise InputError([fault])
    return TOOLCHAINS[core]


def compiler_version(core: str) -> str:
    """Compiler, version and library, as target files quote them: "avr-gcc 5.4.0 with avr-libc 2.0.0"."""
    toolchain = toolchain_of(core)
    version = _run([_found(core), "-dumpfullversion", "-dumpversion"]).strip()
    library = "libgcc"
    if core.startswith("avr"):
        lines = _run(
            [_found(core), "-E", "-dM", "-include", "avr/version.h", "-xc", "/dev/null"]
        ).splitlines()
        library = next(f"avr-libc {line.split(chr(34))[1]}" for line in lines if "VERSION_STRING__" in line)
    return f"{toolchain.compiler} {version} with {library}"


def compile_c(
    sources: Mapping[str, str] | Sequence[Path],
    core: str,
    folder: Path,
    *,
    options: Sequence[str] = ("-Os",),
    stubs: Mapping[str, str] | None = None,
) -> Path:
    """Compile and link C into an ELF program in `folder`; returns its path.

    sources: file name -> text, or paths of C and object files. stubs: C name -> C declaration of functions
    that only exist on real hardware; each gets an empty body of its own, for `Machine.stub` to answer.
    Raises InputError where the compiler is missing or finds errors.
    """
    paths = _written(sources, folder)
    if stubs:
        paths.append(folder / "stubs.c")
        paths[-1].write_text(_stub_text(stubs), encoding="utf-8")
    toolchain = toolchain_of(core)
    elf = folder / f"{core}.elf"
    _run([
        _found(core), *toolchain.options, *options, *toolchain.link_options, "-std=gnu99",
        "-o", str(elf), *(str(path) for path in paths if path.suffix != ".h"), *toolchain.libraries,
    ])  # fmt: skip
    return elf


def compile_object(text: str, core: str, folder: Path, options: Sequence[str]) -> Path:
    """Compile one C text into an object file in `folder`, for `compile_c` to link."""
    (folder / "object.c").write_text(text, encoding="utf-8")
    path = folder / "object.o"
    command = [_found(core), *toolchain_of(core).options, *options, "-std=gnu99", "-c", "-o", str(path)]
    _run([*command, str(folder / "object.c")])
    return path


def _written(sources: Mapping[str, str] | Sequence[Path], folder: Path) -> list[Path]:
    if not isinstance(sources, Mapping):
        return list(sources)
    for name, text in sources.items():
        (folder / name).write_text(text, encoding="utf-8")
    return [folder / name for name in sources]


def _stub_text(stubs: Mapping[str, str]) -> str:
    """Bodies that the compiler must keep; what they return is whatever the registers hold."""
    bodies = "".join(f"{declaration.rstrip('; ')} {{ {_KEPT} }}\n" for declaration in stubs.values())
    return f'#include <stdint.h>\n#pragma GCC diagnostic ignored "-Wreturn-type"\n{bodies}'


_KEPT: Final = '__asm__ volatile ("");'


def _found(core: str) -> str:
    toolchain = toolchain_of(core)
    path = shutil.which(toolchain.compiler)
    if path is None:
        remedy = f"install it (Debian: apt-get install {toolchain.packages})"
        found = f"no {toolchain.compiler}"
        raise InputError([Fault(f"core {core}", "its compiler must be installed", found, remedy)])
    return path


def _run(command: list[str]) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise InputError([_fault_of(command[0], done.stderr)])
    return done.stdout


def _fault_of(compiler: str, messages: str) -> Fault:
    """The first error among the messages of the compiler or the linker."""
    lines = messages.strip().splitlines()
    errors = (line for line in lines if "error" in line or "undefined reference" in line)
    found = next(errors, lines[0] if lines else "no message")
    return Fault(Path(compiler).name, "the compiler must accept the program", found, "correct the source")
