"""The hardware functions that exported C calls: one per port of `controllers.ports`."""

from typing import Final

from controllers import opcodes
from controllers.c.flow import row_at
from controllers.c.types import C_TYPES
from controllers.ports import IN_PORTS, OUT_PORTS, Port
from controllers.program import Program

_RENAMED: Final = {"masked": "mask"}
"""`with hw.masked():` is a state in the law and an act in C."""


def function_of(port: str) -> str:
    """C function of a port."""
    return f"hw_{_RENAMED.get(port, port)}"


def port_type(port: Port, program: Program) -> str:
    """C type of what goes through a port; ticks are as wide as the timer."""
    return C_TYPES[f"u{program.binding.timer_bits}" if port.kind == "ticks" else port.kind]


def used_ports(program: Program) -> tuple[list[Port], list[Port]]:
    """Input and output ports that a program uses, in the order of the port table."""
    rows = [row_at(program, pc) for pc in range(len(program.code))]
    read = {row.extra for row in rows if row.opcode.number == opcodes.IN}
    written = {row.extra for row in rows if row.opcode.number == opcodes.OUT}
    return ([port for port in IN_PORTS if port.index in read], [p for p in OUT_PORTS if p.index in written])
