"""The machine, one instruction at a time, beside what the analysis says of that instruction."""

import random
from dataclasses import dataclass
from typing import Any

import numpy as np

from controllers import machine, opcodes, ports
from controllers.bounds.intervals import contains
from controllers.bounds.invariant import Invariant, find_invariant
from controllers.bounds.listing import Listing, list_program
from controllers.bounds.ranges import OUTPUT
from controllers.bounds.rules import STORES
from controllers.faults import FAULT_NAMES
from controllers.kinds import U64
from controllers.opcodes import OPCODES
from controllers.priorities import Priorities, can_interrupt
from controllers.program import Program


@dataclass
class Watch:
    """Runs handlers of `program` with random inputs and interrupts at random places, and compares every
    operand, result, output and fault with the ranges of the analysis."""

    program: Program
    priorities: Priorities
    seed: int

    def __post_init__(self) -> None:
        self.draw = random.Random(self.seed)
        self.listing: Listing = list_program(self.program, {})
        self.invariant: Invariant = find_invariant(self.listing, self.priorities)
        self.ints, self.floats = self.program.ints.copy(), self.program.floats.copy()
        self.code = np.zeros((3, 6), dtype=np.int32)  # the instruction; RET after it; RET where it jumps
        self.cost = np.zeros(3, dtype=np.int64)
        self.faults = np.zeros((3, len(FAULT_NAMES)), dtype=np.int64)
        self.masked = False
        self.instructions = 0

    def value(self, slot: int) -> Any:
        kind = self.listing.slot_kinds[slot]
        if kind.is_float:
            return float(self.floats[slot])
        return int(self.ints[slot]) % (1 << 64) if kind is U64 else int(self.ints[slot])

    def run(self, rounds: int) -> None:
        """on_start, then handlers in random order."""
        self.call("on_start")
        others = [name for name in self.program.handlers if name != "on_start"]
        for _ in range(rounds if others else 0):
            self.call(self.draw.choice(others))

    def repeat(self, handler: str, times: int) -> None:
        """One handler many times."""
        for _ in range(times):
            self.call(handler)

    def call(self, handler: str) -> None:
        """One handler to its end."""
        pc = self.program.handlers[handler]
        while self.listing.rows[pc].op != opcodes.RET:
            self._interrupt(handler)
            self._check_before(handler, pc)
            after = self._execute(pc)
            self._check_after(handler, pc)
            self.instructions += 1
            pc = after
        self._interrupt(handler)
        self._check_statics(handler)

    def _interrupt(self, handler: str) -> None:
        """Now and then a handler of a higher level."""
        upper = [name for name in self.program.handlers if can_interrupt(name, handler, self.priorities)]
        if upper and not self.masked and self.draw.random() < 0.2:
            self.call(self.draw.choice(upper))

    def _execute(self, pc: int) -> int:
        """One instruction; the next pc."""
        row = self.listing.rows[pc]
        self.faults[:] = 0
        if row.op == opcodes.IN:
            low, high = self.listing.inputs[row.extra]
            self.ints[row.dst] = self.draw.choice([low, high, self.draw.randint(int(low), int(high))])
        elif row.op == opcodes.OUT:
            legal = self.listing.outputs[row.extra]
            self.faults_of_port = not contains(legal, self.value(row.a))
            self.masked = bool(self.value(row.a)) if row.extra == ports.OUT_MASK else self.masked
        else:
            self.code[0] = self.program.code[pc]
            if OPCODES[row.op].jumps:
                self.code[0, 5] = 2
            stop, _ = machine.run(self.code, self.cost, self.ints, self.floats, self.faults, 0)
            return row.extra if stop == 2 else pc + 1
        return pc + 1

    def _where(self, handler: str, pc: int) -> str:
        line = int(self.program.lines[pc])
        text = self.program.source[line - 1].strip()
        return f"{handler} pc {pc} {OPCODES[self.listing.rows[pc].op].name} line {line}: {text}"

    def _check_before(self, handler: str, pc: int) -> None:
        if self.listing.rows[pc].op == opcodes.JUMP:
            return
        event = self.invariant.passes[handler].events.get(pc)
        assert event is not None, f"reached: {self._where(handler, pc)}"
        for slot, name, found in event.operands:
            assert contains(found, self.value(slot)), (
                self._where(handler, pc),
                name,
                self.value(slot),
                found,
            )

    def _check_after(self, handler: str, pc: int) -> None:
        row = self.listing.rows[pc]
        if row.op == opcodes.JUMP:
            return
        foreseen = self.invariant.passes[handler].events[pc].faults
        counted = set(np.flatnonzero(self.faults[0]).tolist())
        if row.op == opcodes.OUT and self.faults_of_port:
            counted = {OUTPUT}
        assert counted <= foreseen, (self._where(handler, pc), counted, foreseen)
        slots = range(row.dst, row.dst + row.extra) if row.op in STORES else []
        for slot in [row.dst] if OPCODES[row.op].writes else slots:
            static = slot in self.listing.statics
            written = self.invariant.passes[handler].written.get(slot)
            if row.op in STORES and (written is None or not contains(written, self.value(slot))):
                continue  # another element was written
            assert written is not None, (self._where(handler, pc), slot, static)
            assert contains(written, self.value(slot)), (self._where(handler, pc), self.value(slot), written)

    def _check_statics(self, handler: str) -> None:
        """After a handler that nothing of a lower level waits for: the ranges between handlers."""
        for slot in self.listing.statics:
            found = self.invariant.passes[handler].after[slot]
            name = self.program.slot_names[slot]
            assert contains(found, self.value(slot)), (handler, name, self.value(slot), found)
