"""Instructions of a handler -> blocks of C statements.

A temporary that is read once, in the block that writes it, becomes part of the expression that reads it, as
long as nothing it reads is written in between and no hardware access changes its place. Locals with a name in
the law stay variables.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from controllers import opcodes
from controllers.c.conditions import Comparison, comparison
from controllers.c.flow import A, B, Row, Web, Webs, basic_blocks, find_webs, row_at
from controllers.c.hardware import function_of
from controllers.c.helpers import Helpers
from controllers.c.names import Names
from controllers.c.operations import Operation, express
from controllers.c.ranges import Ranges
from controllers.c.statements import Assign, Block, Output, Statement
from controllers.c.text import ATOM, Key, Value, built, call, constant
from controllers.c.types import c_type
from controllers.kinds import MACHINE_KINDS, Kind
from controllers.opcodes import IN, JUMP, OUT, RET
from controllers.ports import IN_PORTS, OUT_PORTS
from controllers.program import SLOT_CONST, SLOT_TEMP, Program

_LONGEST: Final = 72
"""Characters of an expression beyond which it becomes a variable."""
_MOVES: Final = (opcodes.MOVE, opcodes.F_MOVE)
_LOADS: Final = (opcodes.LOAD_AT, opcodes.F_LOAD_AT)
_STORES: Final = (opcodes.STORE_AT, opcodes.F_STORE_AT)
_LOCAL: Final = re.compile(r"\s*([^\W\d]\w*)\s*(?://|>>|<<|[-+*/%&|^])?=(?!=)")


@dataclass(frozen=True)
class Symbols:
    """C names of what all handlers share: static variables by slot, arrays and tables by first slot."""

    statics: dict[int, str]
    arrays: dict[int, str]
    names: frozenset[str]


class Folder:
    """Folds one handler. `blocks`: in the order of pc; `variables`: web -> C type and name of each local."""

    def __init__(self, program: Program, symbols: Symbols, helpers: Helpers, entry: int) -> None:
        rows = basic_blocks(program, entry)
        self._program = program
        self._symbols = symbols
        self._helpers = helpers
        self._webs: Webs = find_webs(program, rows)
        self._ranges = Ranges(program, rows)
        self._names = Names(symbols.names)
        self._pending: dict[int, Assign] = {}
        self._block = Block(entry)
        self._last_pc = entry
        self.variables: dict[int, tuple[str, str]] = {}
        self.blocks = [self._fold(block) for block in rows]

    def _fold(self, rows: list[Row]) -> Block:
        self._block = Block(rows[0].pc, line=rows[-1].line)
        self._last_pc = rows[-1].pc
        for row in rows:
            self._step(row)
        self._end(rows[-1])
        return self._block

    def _end(self, row: Row) -> None:
        """Where the block leads; its jump has been taken care of by `_step`."""
        assert not self._pending
        op = row.opcode.number
        if op == JUMP:
            self._block.after = row.extra
        elif op == RET:
            self._block.is_return = self._program.source[row.line - 1].strip().startswith("return")
        else:
            self._block.after = row.pc + 1

    def _step(self, row: Row) -> None:
        op = row.opcode.number
        if op in (RET, JUMP):
            return
        if row.opcode.jumps:
            condition = self._comparison(row)
            self._flush(lambda _: True)
            self._block.condition, self._block.taken = condition, row.extra
        elif op == OUT:
            port = OUT_PORTS[row.extra]
            value = self._operand(row, A)
            # an interrupt that the write lets in may change what is read behind it
            self._flush(lambda pending: any(word != "web" for word, _ in pending.value.reads))
            self._append(Output(function_of(port.name), value, row.line), None)
        elif op in _STORES:
            self._store(row)
        elif row.pc not in self._webs.renamed:
            self._write(row, self._value(row))

    def _comparison(self, row: Row) -> Comparison:
        left, right = self._operand(row, A), self._operand(row, B)
        return comparison(row.opcode.number, left, right)

    def _store(self, row: Row) -> None:
        value = self._operand(row, A)
        index = self._index(row, B, row.extra)
        target = f"{self._symbols.arrays[row.dst]}[{index.text}]"
        self._append(Assign(target, value, row.line, index=index), ("array", row.dst))

    def _value(self, row: Row) -> Value:
        op, kind = row.opcode.number, MACHINE_KINDS[row.kind]
        if op == IN:
            self._flush(lambda pending: pending.value.inputs > 0)
            function = function_of(IN_PORTS[row.extra].name)
            return replace(call(kind, function), inputs=1)
        if op in _LOADS:
            index = self._index(row, A, row.extra)
            element = built(kind, f"{self._symbols.arrays[row.b]}[{index.text}]", ATOM, index)
            return replace(element, reads=element.reads | {("array", row.b)})
        columns = [column for column, _ in row.read_slots]
        operands = [self._operand(row, column) for column in columns]
        bits = row.b if row.opcode.shape[2] == "count" else 0
        return express(Operation(op, kind, operands[0], operands[-1], bits, row.extra, self._helpers))

    def _index(self, row: Row, column: int, length: int) -> Value:
        """An index held within the array; the check is left out where it cannot fail."""
        index = self._operand(row, column)
        if index.range is not None and index.range.high < length:
            return index
        name = self._helpers.need("index", index.kind)
        return call(index.kind, name, index, constant(index.kind, length - 1))

    def _operand(self, row: Row, column: int) -> Value:
        slot = row.a if column == A else row.b
        kind = MACHINE_KINDS[self._program.slot_kinds[slot]]
        known = self._ranges.of(row, column)
        slot_class = self._program.slot_class[slot]
        if slot_class == SLOT_CONST:
            stored = self._program.floats[slot] if kind.is_float else self._program.ints[slot]
            return constant(kind, stored if kind.is_float else (known.low if known else int(stored)))
        if slot_class == SLOT_TEMP:
            web = self._webs.read[row.pc, column]
            if web.number in self._pending:
                return replace(self._pending.pop(web.number).value, range=known)
            name = self.variables[web.number][1] if web.number in self._webs.live else "0"
            key = ("web", web.number)
        else:
            name, key = self._symbols.statics[slot], self._key_of(slot)
        return Value(name, kind, ATOM, known, frozenset({key}))

    def _key_of(self, slot: int) -> Key:
        """A static variable, or the array it is an element of."""
        for first, length in self._program.arrays.values():
            if first <= slot < first + length:
                return ("array", first)
        return ("static", slot)

    def _write(self, row: Row, value: Value) -> None:
        if self._program.slot_class[row.dst] != SLOT_TEMP:
            key = self._key_of(row.dst)
            self._append(Assign(self._symbols.statics[row.dst], value, row.line), key)
            return
        web = self._webs.written[row.pc]
        if web.number not in self._webs.live:
            self._discard(row, value)
        elif self._is_folded(web) and len(value.text) <= _LONGEST:
            self._pending[web.number] = Assign("", value, row.line, web.number)
        else:
            target = self._variable(web, value.kind)
            self._append(Assign(target, value, row.line, web.number), ("web", web.number))

    def _discard(self, row: Row, value: Value) -> None:
        """A value that nobody reads; a hardware read is made all the same."""
        if value.inputs:
            self._append(Output("(void)", value, row.line), None)

    def _is_folded(self, web: Web) -> bool:
        if len(web.writes) != 1 or len(web.reads) != 1 or self._law_name(web) is not None:
            return False
        return self._block.first <= web.reads[0] <= self._last_pc

    def _variable(self, web: Web, kind: Kind) -> str:
        """C name of a local variable, given at its first write."""
        if web.number not in self.variables:
            name = self._names.fresh(self._law_name(web) or self._purpose(web))
            self.variables[web.number] = (c_type(kind), name)
        return self.variables[web.number][1]

    def _law_name(self, web: Web) -> str | None:
        """The name of the law's local variable that a web is, None for an intermediate result.

        Slots keep the name of the first variable that lived in them, so the law's text has the last word.
        What is written and read in one line is an intermediate result.
        """
        lines = {int(self._program.lines[pc]) for pc in (*web.writes, *web.reads)}
        if len(lines) == 1:
            return None
        first = int(self._program.lines[web.number])
        match = _LOCAL.match(self._program.source[first - 1])
        return match[1] if match else self._program.slot_names[web.slot] or None

    def _purpose(self, web: Web) -> str:
        """A name for an intermediate result: that of the variable it ends up in, else `value`."""
        for pc in web.reads:
            row = row_at(self._program, pc)
            if row.opcode.number in _MOVES:
                return self._program.slot_names[row.dst].partition("[")[0] or "value"
        return "value"

    def _append(self, statement: Statement, written: Key | None) -> None:
        """Add a statement after the pending values that it must not overtake."""
        self._flush(lambda pending: pending.value.inputs > 0 or written in pending.value.reads)
        self._block.statements.append(statement)

    def _flush(self, must: Callable[[Assign], bool]) -> None:
        """Make variables of pending values, in their order."""
        for number, pending in list(self._pending.items()):
            if must(pending):
                del self._pending[number]
                web = self._webs.written[number]
                target = self._variable(web, pending.value.kind)
                self._block.statements.append(replace(pending, target=target))
