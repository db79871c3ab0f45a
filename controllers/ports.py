"""The hardware ports a law can reach: one table, checked when loaded.

An IN instruction names its port in the column `extra` and receives the value in `ints[dst]`; an OUT
instruction names its port in `extra` and offers `ints[a]`. IN and OUT ports are numbered apart, each from 0.
"""

from dataclasses import dataclass
from typing import Final

IN_TIMER: Final = 0
IN_CAPTURED: Final = 1
IN_HALL: Final = 2
IN_COMMAND_RPM: Final = 3
IN_TRIPPED: Final = 4

OUT_COMPARE: Final = 0
OUT_STEP: Final = 1
OUT_DUTY: Final = 2
OUT_MASK: Final = 3

STEP_OFF: Final = 6


@dataclass(frozen=True)
class Port:
    """One peripheral register: `kind` is a kind name of the dialect ("ticks" follows the timer's width).
    Legal values are 0..`top`, a number or the name of one of `HW_CONSTANTS`."""

    name: str
    index: int
    kind: str
    top: int | str
    about: str


IN_PORTS: Final = (
    Port("timer", IN_TIMER, "ticks", "timer_top", "count of the free-running step timer"),
    Port("captured", IN_CAPTURED, "ticks", "timer_top", "count of the timer latched at the last Hall edge"),
    Port("hall", IN_HALL, "u8", 7, "level of the Hall sensor, 0 or 1; of three, first + 2 second + 4 third"),
    Port("command_rpm", IN_COMMAND_RPM, "u16", 65535, "commanded speed in rpm"),
    Port(
        "tripped",
        IN_TRIPPED,
        "u8",
        1,
        "1: the current limit has tripped since the last read, which clears it",
    ),
)
OUT_PORTS: Final = (
    Port("set_compare", OUT_COMPARE, "ticks", "timer_top", "count at which on_step_timer is called next"),
    Port("set_step", OUT_STEP, "u8", STEP_OFF, "commutation step 0..5, or STEP_OFF for all switches off"),
    Port("set_duty", OUT_DUTY, "u16", "duty_top", "PWM counts of on-time, 0..duty_top"),
    Port("masked", OUT_MASK, "u8", 1, "1: no interrupt is taken, 0: they are taken; `with hw.masked():`"),
)
HW_CONSTANTS: Final = {"duty_top": "u16", "timer_top": "ticks", "rpm_ticks": "u32", "STEP_OFF": "u8"}


def _check_tables() -> None:
    for table in (IN_PORTS, OUT_PORTS):
        if [port.index for port in table] != list(range(len(table))):
            raise AssertionError("port indices must count from 0")
    for port in (*IN_PORTS, *OUT_PORTS):
        if isinstance(port.top, str) and port.top not in HW_CONSTANTS:
            raise AssertionError(f"port {port.name}: no constant {port.top!r}")
    names = [port.name for port in (*IN_PORTS, *OUT_PORTS)] + list(HW_CONSTANTS)
    if len(set(names)) != len(names):
        raise AssertionError("port and constant names must differ")


_check_tables()
