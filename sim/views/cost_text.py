"""The answer of `tickspin cost` as text for a terminal."""

from collections.abc import Iterator
from typing import Final

from controllers.cost import LinkedProgram
from sim.studies.costing import Costing

_MOST_PARTS: Final = 6
_NAME: Final = 18


def cost_text(costing: Costing) -> str:
    """Cycles of the handlers, what fills flash, RAM; the measured columns beside them where there are any."""
    return "\n\n".join("\n".join(block) for block in (_cycles(costing), _flash(costing), _notes(costing)))


def _cycles(costing: Costing) -> Iterator[str]:
    yield f"{costing.design.firmware.law} in {costing.linked.program.arithmetic} on {costing.target.name}"
    yield ""
    measured = costing.measured
    head = f"{'clock cycles':<{_NAME}}{'least':>8}{'typical':>9}{'worst':>8}"
    yield head if measured is None else f"{head}   measured{'least':>7}{'mean':>8}{'worst':>8}{'frame':>7}"
    for name, (low, typical, high) in costing.cycles.items():
        row = f"{name:<{_NAME}}{low:>8,}{typical:>9,}{high:>8,}"
        found = None if measured is None else measured.handlers.get(name)
        if found is not None:
            row += (
                f"{'':>11}{found.fastest:>7,}{found.mean:>8,.0f}{found.slowest:>8,}{found.frame_cycles:>7,}"
            )
        yield row


def _flash(costing: Costing) -> Iterator[str]:
    memory, linked, measured = costing.target.memory, costing.linked, costing.measured
    start_up = memory.fixed_flash_bytes
    yield f"flash   {linked.flash_bytes:,} of {memory.flash_bytes:,} bytes, {start_up:,} of start-up code"
    yield from _close(linked, "flash")
    parts = sorted(costing.flash_parts.items(), key=lambda part: part[1], reverse=True)
    shown = [part for part in parts if part[1] and part[0] != "start-up code"]
    yield from (f"    {name:<26}{count:>7,}" for name, count in shown[:_MOST_PARTS])
    if rest := sum(count for _, count in shown[_MOST_PARTS:]):
        yield f"    {'the rest':<26}{rest:>7,}"
    if measured is not None:
        predicted = linked.flash_bytes - start_up
        yield f"    measured {measured.flash_bytes:,} without start-up code, predicted {predicted:,}"
    statics, stack = costing.static_bytes, linked.stack_bytes
    used = f"{linked.ram_bytes:,} of {memory.ram_bytes:,} bytes"
    yield f"RAM     {used}, {statics:,} of static variables, {stack:,} of stack"
    yield from _close(linked, "RAM")
    if measured is not None:
        deepest = max(handler.stack_bytes for handler in measured.handlers.values())
        yield f"    measured {measured.ram_bytes:,} of static variables, with the gaps between them, and"
        yield f"    {deepest:,} of stack by one handler, below which stand its interrupt and the main program"


def _close(linked: LinkedProgram, memory: str) -> Iterator[str]:
    """That the number decides nothing, where it does not."""
    if memory in linked.room.close:
        yield f"    {linked.room.close[memory]}"


def _notes(costing: Costing) -> Iterator[str]:
    yield "Least: the shortest way through a handler. Typical, worst: the longest way, at typical and at"
    yield "maximum costs, registers that the handler saves included. Interrupt entry and exit come on top."
    measured, waits = costing.measured, costing.target.wait_states
    if waits:
        reads = (
            "jump and constant; lines are read ahead" if costing.target.memory.reads_ahead else "line read"
        )
        yield f"Wait states of the flash at this clock are in all columns: {waits} for each {reads}."
    if measured is None:
        return
    calls = sum(handler.calls for handler in measured.handlers.values())
    same = f"{measured.wrong:,} calls DIFFER" if measured.wrong else "every value as in the simulation"
    yield f"Measured: {calls:,} calls of the compiled export (-Os), {same}. Mean: over"
    yield "random states, whichever way they take. Frame: the most that saving registers and returning takes;"
    yield "it is in no other measured column. No bus makes measured ports wait, as in the predicted worst."
