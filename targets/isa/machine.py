"""The one interface to compiled programs: executed instruction by instruction, counted in cycles."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import ClassVar

from targets.errors import Fault, InputError
from targets.isa.image import Image
from targets.isa.values import KIND_BYTES, Signature, Value, from_bits, parse_signature, to_bits

Script = Callable[..., Value | None]
ENDLESS_CYCLES = 100_000_000
SEARCHED_STACK_BYTES = 1024
_UNTOUCHED = b"\xa5"


@dataclass(frozen=True, slots=True)
class CallResult:
    """What one call took and gave.

    cycles: from the first instruction of the function to the end of its return; a stub counts with the
    cycles it was given. frame_cycles: the part of it in which the function itself saves and restores
    registers and returns; the rest is what its body costs in the middle of other code. stub_calls: how often
    each stub was reached. stack_bytes: the deepest that the stack was used, return address included where the
    core keeps it there; at most SEARCHED_STACK_BYTES.
    """

    cycles: int
    value: Value | None
    frame_cycles: int
    stub_calls: Mapping[str, int]
    stack_bytes: int


@dataclass(frozen=True, slots=True)
class Stub:
    """A function answered by a script: neither it nor the call instruction takes cycles, but for `cycles`."""

    name: str
    signature: Signature
    script: Script
    cycles: int


@dataclass(slots=True)
class Tally:
    """Cycle count of a call under way."""

    own: range  # addresses of the called function
    cycles: int = 0
    frame_cycles: int = 0
    stub_calls: Counter[str] = field(default_factory=Counter)


class Machine(ABC):
    """A program on a core. Memory keeps its content from call to call; `reset` loads it anew."""

    double_bytes: ClassVar[int] = 8
    word_bytes: ClassVar[int] = 1  # callers extend narrower integers to this width
    stack_end: ClassVar[int]  # the stack grows downwards from here

    def __init__(self, image: Image) -> None:
        self.image = image
        self._stubs: dict[int, Stub] = {}
        self._readers: dict[int, Callable[[], int]] = {}  # address -> bits of a watched register
        self._writers: dict[int, Callable[[int], None]] = {}
        self._watched: dict[tuple[int, bool], int] = {}  # address, whether it is written -> bytes
        self.reset()

    def reset(self) -> None:
        """Load the program anew: variables have their initial values; stubs and watched registers stay."""
        self._load()
        for (address, is_written), size in self._watched.items():
            (self._watch_writes if is_written else self._watch_reads)(address, size)

    def call(self, symbol: str, *arguments: Value, signature: str = "->") -> CallResult:
        """Run a C function to its return.

        signature: kinds of arguments and result, "u16 i32 -> f32"; "->" is `void f(void)`.
        Raises InputError where there is no such function or it does not return within 1e8 cycles.
        """
        kinds = parse_signature(signature)
        if len(arguments) != len(kinds.arguments):
            raise ValueError(f"{symbol}: {len(arguments)} arguments for the signature {signature!r}")
        found = self.image.find(symbol)
        start = self._code_address(found.address)
        words = [
            (self._register_bits(value, kind), kind)
            for value, kind in zip(arguments, kinds.arguments, strict=True)
        ]
        tally = Tally(range(start, start + max(found.size_bytes, 1)))
        stack_start = self.stack_end - SEARCHED_STACK_BYTES
        self._write_memory(stack_start, _UNTOUCHED * SEARCHED_STACK_BYTES)
        self._prepare(words)
        self._run(start, tally)
        stack_bytes = len(self._read_memory(stack_start, SEARCHED_STACK_BYTES).lstrip(_UNTOUCHED))
        value = (
            None if kinds.result is None else self._from_bits(self._result_bits(kinds.result), kinds.result)
        )
        return CallResult(tally.cycles, value, tally.frame_cycles, dict(tally.stub_calls), stack_bytes)

    def stub(self, symbol: str, script: Script, *, signature: str = "->", cycles: int = 0) -> None:
        """Let `script(*arguments)` answer every call of the function `symbol` from now on."""
        address = self._code_address(self.image.find(symbol).address)
        self._stubs[address] = Stub(symbol, parse_signature(signature), script, cycles)

    def read(self, symbol: str, kind: str, index: int = 0) -> Value:
        """The static variable `symbol`, or element `index` of an array."""
        size = self.size_bytes(kind)
        content = self._read_memory(self.image.find(symbol).address + index * size, size)
        return self._from_bits(int.from_bytes(content, "little"), kind)

    def write(self, symbol: str, kind: str, value: Value, index: int = 0) -> None:
        """Set the static variable `symbol`, or element `index` of an array."""
        size = self.size_bytes(kind)
        content = to_bits(value, kind, size).to_bytes(size, "little")
        self._write_memory(self.image.find(symbol).address + index * size, content)

    def watch(
        self,
        symbol: str,
        kind: str,
        *,
        on_read: Callable[[], Value] | None = None,
        on_write: Callable[[Value], None] | None = None,
    ) -> None:
        """Script a volatile variable, as a peripheral register: its reads, its writes, or both.

        A wide register is sampled when its lowest byte is read, and handed over when its last byte has been
        written, whatever the width of the accesses.
        """
        address = self.image.find(symbol).address
        size = self.size_bytes(kind)
        if on_read is not None:
            reader = on_read
            self._readers[address] = lambda: to_bits(reader(), kind, size)
            self._note_watch(address, size, is_written=False)
        if on_write is not None:
            writer = on_write
            self._writers[address] = lambda bits: writer(self._from_bits(bits, kind))
            self._note_watch(address, size, is_written=True)

    def _note_watch(self, address: int, size: int, is_written: bool) -> None:
        """Install the hook of a register once; a later script takes the place of the earlier one."""
        if (address, is_written) not in self._watched:
            self._watched[address, is_written] = size
            (self._watch_writes if is_written else self._watch_reads)(address, size)

    def wait_for_flash(self, waits: int, fetch_bytes: int, reads_ahead: bool) -> None:
        """Let code wait so many cycles for every line of flash that it reads, from now on; where the flash
        reads ahead, less for a line that follows the one before.

        Raises InputError where the flash of the core never waits.
        """
        found = f"{waits} wait states of {fetch_bytes} bytes{', read ahead' if reads_ahead else ''}"
        fault = Fault(str(self.image.path), "the flash of this core never waits", found, "take another core")
        raise InputError([fault])

    def body_bytes(self, symbol: str) -> int:
        """Flash bytes of a function without its instructions that save, restore and return.

        Only instructions that have been executed are known as such.
        """
        found = self.image.find(symbol)
        start = self._code_address(found.address)
        return found.size_bytes - self._frame_bytes(start, found.size_bytes)

    def size_bytes(self, kind: str) -> int:
        """Bytes of a value of that kind on this core."""
        return self.double_bytes if kind == "f64" else KIND_BYTES[kind]

    def _from_bits(self, bits: int, kind: str) -> Value:
        return from_bits(bits, kind, self.size_bytes(kind))

    def _register_bits(self, value: Value, kind: str) -> int:
        """The bits that a caller puts into registers."""
        size = self.size_bytes(kind)
        bits = to_bits(value, kind, size)
        narrow = size < self.word_bytes
        return to_bits(from_bits(bits, kind, size), kind, self.word_bytes) if narrow else bits

    def _answer(self, stub: Stub, tally: Tally) -> None:
        """Do what a call of the stub does, but for the return."""
        arguments = [
            self._from_bits(bits, kind)
            for bits, kind in zip(
                self._argument_bits(stub.signature.arguments), stub.signature.arguments, strict=True
            )
        ]
        value = stub.script(*arguments)
        kind = stub.signature.result
        if kind is not None:
            self._set_result_bits(self._register_bits(0 if value is None else value, kind), kind)
        tally.cycles += stub.cycles
        tally.stub_calls[stub.name] += 1

    def _endless(self, tally: Tally) -> InputError:
        found = f"none after {tally.cycles:,} cycles"
        return InputError([Fault(str(self.image.path), "a function must return", found, "look for a loop")])

    @abstractmethod
    def _load(self) -> None: ...

    @abstractmethod
    def _code_address(self, address: int) -> int: ...

    @abstractmethod
    def _prepare(self, arguments: list[tuple[int, str]]) -> None:
        """Stack, arguments and return address of a call."""

    @abstractmethod
    def _run(self, start: int, tally: Tally) -> None: ...

    @abstractmethod
    def _argument_bits(self, kinds: tuple[str, ...]) -> list[int]: ...

    @abstractmethod
    def _result_bits(self, kind: str) -> int: ...

    @abstractmethod
    def _set_result_bits(self, bits: int, kind: str) -> None: ...

    @abstractmethod
    def _frame_bytes(self, start: int, size_bytes: int) -> int: ...

    @abstractmethod
    def _read_memory(self, address: int, size_bytes: int) -> bytes: ...

    @abstractmethod
    def _write_memory(self, address: int, content: bytes) -> None: ...

    @abstractmethod
    def _watch_reads(self, address: int, size_bytes: int) -> None:
        """Ask `_readers[address]` when the lowest byte there is read."""

    @abstractmethod
    def _watch_writes(self, address: int, size_bytes: int) -> None:
        """Tell `_writers[address]` when all bytes there have been written."""
