"""What every key of a target's data file means, with its unit: the comments of the file that
`tickspin new --target` writes."""

from __future__ import annotations

from typing import Final

SECTIONS: Final = {
    "clock": "The processor's clock.",
    "memory": "Flash and RAM, and what is gone before the law is in it.",
    "step_timer": "The timer that times steps and Hall edges.",
    "pwm": "The timer that makes the PWM.",
    "interrupt": "What it takes to reach and to leave code, in instruction cycles.",
    "compiler": "What a compiler for the core spares. An optional section: without it, every operand is "
    "fetched and stored where it is used, as a simple compiler or an 8-bit accumulator does it.",
    "frame": "What a handler has on the stack, and what saving its registers takes where entry_cycles and "
    "exit_cycles do not hold it.",
    "routines": "Flash of each library routine that the rows above name, with what it calls in turn, and how "
    "deep these go on the stack [bytes]. Linked once, however often it is called.",
}
FIELDS: Final = {
    "name": "name of the target in scenarios, lists and messages: letters, digits, _ and -",
    "title": "one line about it, for lists",
    "core": "the core's class",
    "floating_point_unit": 'what the core computes in hardware: "none", "f32" or "f64" (then f32 too)',
    "core_source": "where the core's cycles are published",
    "price_USD": "price of a part in a large order [US dollars]",
    "price_source": 'where the price is from; begins with "indicative"',
    "exact_arithmetic": "true: a machine that computes in f64 whatever is asked (only `ideal` does)",
    "clock.default_Hz": "CPU clock where the scenario states none [Hz]",
    "clock.other_usual_Hz": "other usual CPU clocks, for comparisons [Hz]",
    "clock.low_Hz": "slowest CPU clock allowed [Hz]",
    "clock.high_Hz": "fastest CPU clock allowed [Hz]",
    "clock.tolerance": "how far the oscillator may be off, as a fraction (0.02: 2 %)",
    "clock.clocks_per_instruction": "CPU clocks in one instruction cycle: multiplies all cycles below",
    "memory.flash_bytes": "flash [bytes]",
    "memory.ram_bytes": "RAM [bytes]",
    "memory.fixed_flash_bytes": "flash of vectors and start-up code [bytes]",
    "memory.fixed_ram_bytes": "RAM that is neither statics nor stack: scratch, register banks [bytes]",
    "memory.word_bits": "width of a register [bits]",
    "memory.wait_states_above_Hz": "one wait state more above each clock, rising [Hz]",
    "memory.fetch_bytes": "code that one read of the flash brings [bytes]; wait states come with each read",
    "memory.library_bytes_per_cycle": "code that library routines read per cycle; needed with wait states",
    "memory.reads_ahead": "true: flash reads the next line while the present one runs (prefetch buffer); a "
    "cache is not modelled",
    "memory.library_jumps_per_cycle": "how often per cycle these jump to another line; for reads_ahead",
    "memory.straight_bytes_per_cycle": "most code they run through per cycle [bytes]: 2 with 16-bit "
    "instructions, 4 with wide ones",
    "step_timer.width_bits": "width of the counter [bits]",
    "step_timer.prescalers": "dividers before the counter, rising",
    "step_timer.clock_divider": "CPU clocks per input clock of the prescaler",
    "step_timer.count": "how many timers of this kind there are; for your information",
    "step_timer.capture": "true: hardware latches the count at a Hall edge; false: handlers read it",
    "step_timer.action": '"compare", "reload" or "compare or reload"; the shipped laws use a compare',
    "pwm.width_bits": "width of the counter [bits]",
    "pwm.prescalers": "dividers before the counter, rising",
    "pwm.clock_divider": "CPU clocks per input clock of the prescaler",
    "interrupt.vectors": '"single": one entry for all events; "separate": one each; entry_cycles hold it',
    "interrupt.priority_levels": "1: no handler interrupts another",
    "interrupt.entry_cycles": "from the event to the handler's first own instruction, saves included",
    "interrupt.exit_cycles": "restored registers and return from the interrupt",
    "interrupt.call_cycles": "call of a function",
    "interrupt.return_cycles": "return from a function",
    "interrupt.poll_cycles": "test of one flag in a main loop that polls",
    "interrupt.tail_chain_cycles": "from one handler straight into the next; 0 where the core cannot",
    "interrupt.saving_code_bytes": "code that saves registers one by one on entry, as much on exit [bytes]",
    "frame.interrupt_bytes": "on the stack when a handler begins: return address, saved registers [bytes]",
    "frame.call_bytes": "on the stack when a called function begins [bytes]",
    "frame.leaf": "a handler without library routines: what saving and restoring its registers takes",
    "frame.calling": "the same of a handler that calls library routines",
    "frame.in_entry_cycles": "part of these cycles that entry_cycles and exit_cycles hold already",
    "compiler.address_cycles": "what finding the address takes of a load or store [instruction cycles]",
    "compiler.address_bytes": "the same in flash [bytes]",
    "compiler.literal_bytes": "of each address and constant that is loaded from behind the code; 0: none is",
    "compiler.free_in_add": "largest constant that an addition holds in itself",
    "compiler.free_in_compare": "largest constant that a comparison holds in itself",
    "compiler.free_shifted_bits": "constants of so many bits at any place are free as well; 0: none",
    "compiler.loads_words": "true: a small constant costs as little in a wide kind",
    "compiler.zero_register": "true: 0 lies in a register",
    "compiler.conditional_instructions": "true: a jump over one instruction becomes a condition of it",
    "compiler.statics_in_reach": "true: a register always points at the static variables",
    "compiler.links_both_divisions": "true: an unsigned division links the signed routine too",
}
COSTS: Final = """\
What each operation costs: [minimum, typical, maximum] instruction cycles at zero wait states, and bytes of \
flash in line. routine: the library routine that it calls; its cycles are counted here, its flash under \
[routines].
u8 i8 u16 i16 u32 i32: whole numbers by width, unsigned and signed; i64 u64: intermediates; f32 f64: floats.
The run takes typical costs, the worst case maximal ones. Names of groups are free; each operation stands in \
one group."""
OPERATIONS: Final = {
    "mul_wide": "mul_wide: n x n bits give 2 n",
    "div_i32": "i64_div_i32: 64 bits by 32",
    "div_i16": "i64_div_i16: 32 bits by 16",
    "shift_base": "a shift by n = 8 bytes + bits costs base + bits x per_bit + bytes x per_byte",
    "branch_lt": "branch_lt, branch_eq: compare and jump",
    "convert": "convert: from any other whole number to this kind",
    "sat_add": "sat_add, sat_sub: the result stays at the end of the range",
    "saturate": "saturate: narrowed from twice the width, staying at the end of the range",
    "load8": "load, store: a static variable at a fixed address; const: a number in the code; move: between "
    "registers",
    "load_at8": "load_at, store_at: element of an array in RAM; table_at: of a table in flash; index_check: "
    "an index compared with a constant",
    "io_read8": "io_read, io_write: a register of a peripheral",
    "jump": "jump: without condition",
}
"""Operation -> comment of the group in which its first row stands."""
