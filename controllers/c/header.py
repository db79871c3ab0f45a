"""LAW.h: what the law was made for, what it needs from the compiler and from the hardware, its handlers."""

from collections.abc import Iterable, Iterator
from typing import Final

from controllers.c.body import comment, safe
from controllers.c.hardware import function_of, port_type, used_ports
from controllers.c.law_file import file_stem
from controllers.catalogue import ParameterDescription
from controllers.kinds import F32, F64, MACHINE_KINDS
from controllers.ports import Port
from controllers.program import HANDLERS, Program

_CALLERS: Final = {
    "on_start": "once, before interrupts are enabled",
    "on_hall_edge": "at each Hall edge that begins an electrical turn, from its interrupt or polled",
    "on_step_timer": "when the step timer reaches the compare count, from its interrupt or polled",
    "on_control_tick": "every control period, from a timer interrupt or polled",
    "main_loop": "over and over, whenever no handler runs",
}
_CAUTION: Final = (
    "CAUTION. This code drives a power stage. A spinning rotor throws magnets and blades; windings, switches",
    "and lithium cells burn. First runs: current-limited supply, guard, eye protection, nobody in the plane",
    "of the rotor. Have over-current protection and the shut-down of a stalled motor in hardware: nothing",
    "here replaces them. Bit-exact with the simulation means the same numbers, not a safe machine. Local",
    "codes and licensed practice come first.",
)
_DIGITS: Final = 10
"""Of parameters and constants: what is held is told where these differ."""
_BUILD: Final = (
    "Compile with -std=c99 (or with -ffp-contract=off: a fused multiply-add would round once where this code",
    "rounds twice). int may have 16 or 32 bits. No dynamic memory, no recursion, no loops, no library.",
)
_HARDWARE: Final = (
    "The hardware: write these. A call takes effect at once. Written as inline functions they need a barrier",
    "that keeps the compiler from moving accesses to static variables across hw_mask.",
)


def _check_table() -> None:
    if tuple(_CALLERS) != HANDLERS:
        raise AssertionError("header._CALLERS and program.HANDLERS differ")


_check_table()


def header_text(program: Program, parameters: Iterable[ParameterDescription], mark: str) -> str:
    """The header of a law; `mark` is its first line."""
    stem = file_stem(program)
    guard = f"{stem.upper()}_H"
    lines = [
        mark,
        *_block(_about(program, parameters)),
        *_block(_BUILD),
        *_block(_CAUTION),
        f"#ifndef {guard}\n#define {guard}\n",
        "#include <stdint.h>",
        *_demands(program, stem),
        *_hardware(program),
        *_handlers(program),
        "#endif",
    ]
    return "\n".join(lines) + "\n"


def _block(lines: Iterable[str]) -> Iterator[str]:
    yield "/*\n" + "".join(f" * {safe(line)}".rstrip() + "\n" for line in lines) + " */"


def _about(program: Program, parameters: Iterable[ParameterDescription]) -> Iterator[str]:
    binding = program.binding
    yield f"{program.name}: {program.summary}"
    yield f"arithmetic: {program.arithmetic}"
    tick_us = 1e6 / binding.tick_Hz
    yield f"step timer: {binding.timer_bits} bits, {binding.tick_Hz:.10g} Hz, one tick {tick_us:.6g} us"
    yield f"pole pairs: {binding.pole_pairs}"
    yield f"PWM: 0..{binding.duty_top} counts"
    yield f"control period: {binding.control_period_s:g} s"
    yield "parameters:"
    yield from _parameter_lines(program, parameters)
    for r in program.rounding:
        if r.parameter not in {p.key for p in parameters} and r.shows(_DIGITS):
            yield f"{r.parameter}: {r.asked:.{_DIGITS}g} is held as {r.stored:.{_DIGITS}g}"


def _parameter_lines(program: Program, parameters: Iterable[ParameterDescription]) -> Iterator[str]:
    given = {**program.fitted, **program.binding.parameters}
    stored = {r.parameter: r.stored for r in program.rounding if r.shows(_DIGITS)}
    for parameter in parameters:
        asked = given.get(parameter.key, parameter.default)
        fitted = " fitted to the motor" if parameter.key in program.fitted else ""
        held = f" held as {stored[parameter.key]:.{_DIGITS}g}" if parameter.key in stored else ""
        yield f"    {parameter.key} = {asked:.{_DIGITS}g}{fitted}{held}: {parameter.about}"


def _demands(program: Program, stem: str) -> Iterator[str]:
    """What must hold of the compiler, checked when it compiles."""
    kinds = {MACHINE_KINDS[int(row[1])] for row in program.code} | {
        MACHINE_KINDS[kind] for kind in program.slot_kinds
    }
    demands = [
        (
            "keeps_low_bits",
            "(int8_t)0xC8 == -56",
            "conversion to a signed type keeps the low bits (6.3.1.3 p3)",
        ),
        ("shifts_the_sign", "(-4 >> 1) == -2", "a negative number is shifted arithmetically (6.5.7 p5)"),
    ]
    if F32 in kinds:
        demands.append(
            ("float_has_32_bits", "sizeof(float) == 4", "float is IEEE 754 single precision (annex F)")
        )
    if F64 in kinds:
        demands.append(
            ("double_has_64_bits", "sizeof(double) == 8", "double is IEEE 754 double precision (annex F)")
        )
    if F32 in kinds or F64 in kinds:
        yield "#include <float.h>\n"
        yield "/* each operation is rounded to its own type (5.2.4.2.2 p8), and none are fused (6.5 p8) */"
        yield "#if FLT_EVAL_METHOD != 0\n#error this law needs FLT_EVAL_METHOD 0\n#endif"
        yield "#if !defined(__GNUC__) || defined(__clang__)\n#pragma STDC FP_CONTRACT OFF\n#endif"
    yield "\n/* compilation stops at an array of negative size where the compiler is not like that */"
    for name, holds, what in demands:
        yield f"typedef char {stem}_{name}[({holds}) ? 1 : -1]; /* {what} */"


def _hardware(program: Program) -> Iterator[str]:
    read, written = used_ports(program)
    yield ""
    yield from _block(_HARDWARE)
    for port in read:
        yield f"{_note(program, port)}\n{port_type(port, program)} {function_of(port.name)}(void);"
    for port in written:
        yield f"{_note(program, port)}\nvoid {function_of(port.name)}({port_type(port, program)} value);"


def _note(program: Program, port: Port) -> str:
    about = port.about.split(";")[0]
    return comment(about.replace("duty_top", str(program.binding.duty_top)))


def _handlers(program: Program) -> Iterator[str]:
    yield "\n/* The handlers: call these. */"
    for name in program.handlers:
        yield f"/* {_CALLERS[name]} */\nvoid {name}(void);"
    yield ""
