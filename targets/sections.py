"""The sections of a target: clock, memory, timers, interrupts, compiler, frames of handlers.

These records serve twice: as the form of the data file, where cycles are *instruction* cycles, and in
`Target`, where `targets.loader` has turned all cycles into CPU *clock* cycles.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

# The upper bounds keep sums of products within 64 bits; no part comes near them.
Count = Annotated[int, Field(ge=0, le=2**32)]
PositiveCount = Annotated[int, Field(ge=1, le=2**32)]
Bits = Annotated[int, Field(ge=1, le=64)]
Divider = Annotated[int, Field(ge=1, le=2**16)]
PositiveHz = Annotated[float, Field(gt=0, le=1e11, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, pattern=r"\S")]
# TOML has arrays, the records hold tuples: the one place where a type may change on the way in.
Prescalers = Annotated[tuple[Divider, ...], Field(strict=False, min_length=1)]
CycleTriple = Annotated[tuple[Count, Count, Count], Field(strict=False)]
Frequencies = Annotated[tuple[PositiveHz, ...], Field(strict=False)]
Fraction = Annotated[float, Field(ge=0, lt=1, allow_inf_nan=False)]


STEP_TIMER_WIDTHS_BITS = (16, 32)
"""What `ticks` of the dialect can be."""


def broken_rule(rule: str, found: str, remedy: str) -> PydanticCustomError:
    """The error a record's own check raises; `targets.loader` makes a Fault of it."""
    return PydanticCustomError("broken_rule", "{rule}", {"rule": rule, "found": found, "remedy": remedy})


class Record(BaseModel):
    """Base of all records: exact types, no unknown keys, no change after loading."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")


class Clock(Record):
    """CPU clock: the usual frequencies and the range the part allows [Hz], clocks per instruction cycle.

    tolerance: how far the internal oscillator may be off, as a fraction, over temperature and supply.
    """

    default_Hz: PositiveHz
    other_usual_Hz: Frequencies = ()  # usual too: a comparison of targets takes each of them in turn
    low_Hz: PositiveHz
    high_Hz: PositiveHz
    tolerance: Fraction
    clocks_per_instruction: Divider
    source: Text

    @model_validator(mode="after")
    def _check_range(self) -> Self:
        if not self.low_Hz <= self.default_Hz <= self.high_Hz:
            raise broken_rule(
                "low_Hz <= default_Hz <= high_Hz must hold",
                f"{self.low_Hz:g}, {self.default_Hz:g}, {self.high_Hz:g}",
                "correct the frequency that is out of order",
            )
        outside = [usual for usual in self.other_usual_Hz if not self.low_Hz <= usual <= self.high_Hz]
        if outside or self.default_Hz in self.other_usual_Hz:
            raise broken_rule(
                "other_usual_Hz must lie between low_Hz and high_Hz and differ from default_Hz",
                ", ".join(f"{usual:g}" for usual in outside or [self.default_Hz]),
                "correct or remove the frequency",
            )
        return self


class Memory(Record):
    """Flash and RAM [bytes], what is taken of them before any law comes, and the register width [bits].

    wait_states_above_Hz: flash needs one wait state more above each of these CPU clocks; the cost rows hold
    for none. fetch_bytes: what one read of it brings. reads_ahead: the next line is read while this one runs.
    Library routines: library_bytes_per_cycle they read, lines that a jump leaves unused included;
    straight_bytes_per_cycle they run through at most; library_jumps_per_cycle lead to another line. What all
    this costs: `targets.wait_states`.
    """

    flash_bytes: PositiveCount
    ram_bytes: PositiveCount
    fixed_flash_bytes: Count  # start-up code and vector table
    fixed_ram_bytes: Count  # scratch of routines, register banks; the stack is reckoned from `Frame`
    word_bits: Bits
    wait_states_above_Hz: Frequencies = ()
    fetch_bytes: PositiveCount = 1
    library_bytes_per_cycle: Annotated[float, Field(ge=0, le=8, allow_inf_nan=False)] = 0.0
    reads_ahead: bool = False
    library_jumps_per_cycle: Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)] = 0.0
    straight_bytes_per_cycle: Annotated[float, Field(gt=0, le=8, allow_inf_nan=False)] = 4.0
    source: Text

    def wait_states(self, clock_Hz: float) -> int:
        """Wait states of the flash at that CPU clock [Hz]."""
        return sum(clock_Hz > limit_Hz for limit_Hz in self.wait_states_above_Hz)

    @model_validator(mode="after")
    def _check_fixed_parts(self) -> Self:
        if self.fixed_flash_bytes > self.flash_bytes or self.fixed_ram_bytes > self.ram_bytes:
            flash = f"flash {self.fixed_flash_bytes} of {self.flash_bytes}"
            ram = f"RAM {self.fixed_ram_bytes} of {self.ram_bytes}"
            raise broken_rule(
                "the fixed parts must fit the memory", f"{flash}, {ram}", "correct the sizes in bytes"
            )
        limits_Hz = list(self.wait_states_above_Hz)
        if limits_Hz != sorted(set(limits_Hz)):
            found = ", ".join(f"{limit_Hz:g}" for limit_Hz in limits_Hz)
            raise broken_rule("wait_states_above_Hz must rise", found, "sort the list")
        if limits_Hz and not self.library_bytes_per_cycle:
            found = f"{self.fetch_bytes} and {self.library_bytes_per_cycle:g}"
            rule = "wait states need fetch_bytes and library_bytes_per_cycle"
            raise broken_rule(rule, found, "say what one flash read brings, and how fast code is read")
        if limits_Hz and self.reads_ahead and not self.library_jumps_per_cycle:
            rule = "wait states of a flash that reads ahead need library_jumps_per_cycle"
            raise broken_rule(rule, "none", "say how often library routines jump")
        return self


class Timer(Record):
    """A counter: width [bits], prescalers on offer, CPU clocks per timer input clock."""

    width_bits: Bits
    prescalers: Prescalers
    clock_divider: Divider
    source: Text

    @model_validator(mode="after")
    def _check_prescalers(self) -> Self:
        if list(self.prescalers) != sorted(set(self.prescalers)):
            raise broken_rule(
                "prescalers must rise and none may appear twice", str(list(self.prescalers)), "sort the list"
            )
        return self


class StepTimer(Timer):
    """The timer that times the steps, how many of its kind there are, and what it can do.

    capture: latches its count at a Hall edge; without it the handler reads the count. action: what a step is
    timed by: a compare value that the count reaches, or a value that the timer starts again from.
    """

    count: PositiveCount
    capture: bool
    action: Literal["compare", "reload", "compare or reload"]

    @model_validator(mode="after")
    def _check_width(self) -> Self:
        if self.width_bits not in STEP_TIMER_WIDTHS_BITS:
            raise broken_rule(
                "the step timer must be 16 or 32 bits wide",
                str(self.width_bits),
                "use 16 for a wider one that is not 32: what fits it fits the real one",
            )
        return self


class Interrupt(Record):
    """What it takes to reach and leave a handler, a function and a polled flag [CPU clock cycles].

    Entry and exit hold the hardware's part, the jump from the vector and the context that a compiled or
    hand-written handler saves. tail_chain_cycles: from the end of one handler straight to the next, where
    the core can; 0 where it cannot. saving_code_bytes: code that saves this context, register by register,
    and as much that restores it; 0 where an instruction or two do.
    """

    vectors: Literal["single", "separate"]
    priority_levels: PositiveCount  # 1: no handler interrupts another

    entry_cycles: Count
    exit_cycles: Count
    call_cycles: Count
    return_cycles: Count
    poll_cycles: Count  # test of one flag in a polled main loop
    tail_chain_cycles: Count = 0
    saving_code_bytes: Count = 0
    source: Text

    @model_validator(mode="after")
    def _check_tail_chain(self) -> Self:
        if self.tail_chain_cycles and (self.vectors == "single" or self.priority_levels == 1):
            raise broken_rule(
                "only a core with separate vectors and several levels chains handlers",
                f"{self.tail_chain_cycles} cycles with {self.vectors} vectors, {self.priority_levels} levels",
                "remove tail_chain_cycles or correct the others",
            )
        if self.tail_chain_cycles > self.exit_cycles + self.entry_cycles:
            raise broken_rule(
                "tail_chain_cycles must not exceed exit and entry together",
                str(self.tail_chain_cycles),
                "correct the cycles",
            )
        return self


class Compiler(Record):
    """What a compiler for the core does with operands, beyond the price of one instruction by itself.

    address_cycles, address_bytes: the part of a load, store or port access that finds its address; it is
    found once in a handler [CPU clock cycles, bytes]. literal_bytes: of each address and constant that is
    loaded from behind the code; 0: none is. statics_in_reach: static variables need none, for a register
    always points at them. free_in_add, free_in_compare: largest constant that an addition and a comparison
    hold in themselves. free_shifted_bits: so many bits at any place are free as well. loads_words: a small
    constant costs as little in a wide kind. zero_register: 0 lies in a register. conditional_instructions: a
    jump over one instruction is made a condition of it. links_both_divisions: a division without negative
    operands is done by the unsigned routine, and the signed one is linked too. Without this record operands
    are used where they lie.
    """

    address_cycles: Count
    address_bytes: Count
    literal_bytes: Count = 0
    free_in_add: Count
    free_in_compare: Count
    zero_register: bool
    free_shifted_bits: Count = 0
    loads_words: bool = False
    conditional_instructions: bool = False
    statics_in_reach: bool = False
    links_both_divisions: bool = False
    source: Text


class Cycles(Record):
    """[minimum, typical, maximum] cycles."""

    cycles: CycleTriple

    @model_validator(mode="after")
    def _check_order(self) -> Self:
        low, typical, high = self.cycles
        if not low <= typical <= high:
            raise broken_rule(
                "cycles must be [minimum, typical, maximum] in rising order",
                str(list(self.cycles)),
                "put the three numbers in order",
            )
        return self


class CostRow(Cycles):
    """One cost row of a data file: instruction cycles, flash bytes, routine."""

    bytes: Count
    routine: Text | None = None


class SavedRegisters(Cycles):
    """What a handler saves for its own use: bytes on the stack, cycles to save and restore them."""

    stack_bytes: Count


class Frame(Record):
    """What calls put on the stack [bytes], and what that takes where `Interrupt` does not hold it [cycles].

    interrupt_bytes: there when a handler begins that is an interrupt: return address, and what hardware or
    the entry sequence has saved. call_bytes: there when a called function begins. leaf, calling: a handler
    that calls no library routine, one that calls some. in_entry_cycles: so much of these the entry and exit
    sequences of an interrupt hold already.
    """

    interrupt_bytes: Count
    call_bytes: Count
    leaf: SavedRegisters
    calling: SavedRegisters
    in_entry_cycles: Count = 0
    source: Text
