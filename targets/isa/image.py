"""An ELF program as the machines load it: what lies where, symbols, flash and RAM."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from targets.errors import Fault, InputError

_ALLOCATED = 0x2  # SHF_ALLOC
_UNWINDING = (".eh_frame", ".eh_frame_hdr")  # tables for C++ exceptions, which firmware leaves out


class Symbol(NamedTuple):
    """Where something of a name lies, and its size [bytes]."""

    address: int
    size_bytes: int


class Segment(NamedTuple):
    """Bytes to load: run-time address, load address (flash), contents filled up with zeros."""

    address: int
    load_address: int
    content: bytes


@dataclass(frozen=True)
class Image:
    """A linked program.

    flash_bytes: code, constants and initial values. ram_bytes: static variables, without stack.
    """

    path: Path
    segments: tuple[Segment, ...]
    symbols: dict[str, Symbol]
    flash_bytes: int
    ram_bytes: int

    def find(self, name: str) -> Symbol:
        """The symbol of that name. Raises InputError where there is none."""
        if name not in self.symbols:
            fault = Fault(str(self.path), "the program must have the symbol", f"no {name!r}", "link it in")
            raise InputError([fault])
        return self.symbols[name]


def needs_extra(module: str) -> InputError:
    """The error for a missing library of the extra `measure`."""
    remedy = "install it: pip install 'tickspin[measure]'"
    return InputError([Fault("measure", "the extra `measure` is needed", f"no module {module!r}", remedy)])


def read_image(path: Path) -> Image:
    """The program in an ELF file. Raises InputError where the file is none, or pyelftools is missing."""
    try:
        from elftools.common.exceptions import ELFError
        from elftools.elf.elffile import ELFFile
    except ImportError as error:
        raise needs_extra("elftools") from error
    try:
        with path.open("rb") as stream:
            return _image_from(path, ELFFile(stream))
    except (OSError, ELFError) as error:
        fault = Fault(str(path), "the program must be a linked ELF file", str(error), "compile it again")
        raise InputError([fault]) from error


def called_symbols(object_path: Path, function: str) -> tuple[str, ...]:
    """What one function of an object file (in a section of its own) calls outside the file, in order."""
    from elftools.elf.elffile import ELFFile

    with object_path.open("rb") as stream:
        elf = ELFFile(stream)
        symbols = elf.get_section_by_name(".symtab")
        for kind in (".rela", ".rel"):
            relocations = elf.get_section_by_name(f"{kind}.text.{function}")
            if relocations is not None:
                used = (symbols.get_symbol(row["r_info_sym"]) for row in relocations.iter_relocations())
                names = (symbol.name for symbol in used if symbol["st_shndx"] == "SHN_UNDEF")
                return tuple(dict.fromkeys(name for name in names if name))
    return ()


def _image_from(path: Path, elf: Any) -> Image:
    segments = tuple(
        Segment(
            header["p_vaddr"],
            header["p_paddr"],
            segment.data() + bytes(header["p_memsz"] - header["p_filesz"]),
        )
        for segment in elf.iter_segments("PT_LOAD")
        if (header := segment.header)["p_memsz"]
    )
    loaded = (s for s in elf.iter_sections() if s["sh_flags"] & _ALLOCATED)
    sections = [s for s in loaded if s.name not in _UNWINDING]
    stored = sum(s["sh_size"] for s in sections if s["sh_type"] != "SHT_NOBITS")
    writable = sum(s["sh_size"] for s in sections if s["sh_flags"] & 1)
    table = elf.get_section_by_name(".symtab")
    symbols = [s for s in table.iter_symbols() if s.name and s["st_shndx"] != "SHN_UNDEF"]
    return Image(
        path=path,
        segments=segments,
        symbols={s.name: Symbol(s["st_value"], s["st_size"]) for s in symbols},
        flash_bytes=stored,
        ram_bytes=writable,
    )
