"""The interface that all machines share: variables, stubs, watched registers, errors."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from targets.errors import InputError
from targets.isa import CORES, compile_c, load, signature_of
from tests.targets.isa.support import TARGET_CORES, machine_of, skip_without_tools

CONTROL_LAW = """
#include <stdint.h>
uint16_t hw_timer(void);
void hw_set_compare(uint16_t value);
int32_t hw_mix(uint8_t a, int16_t b, int32_t c);
uint16_t last, periods[4];
int16_t trim = -3;
uint8_t edges;
int32_t mixed;
void on_hall_edge(void) {
    uint16_t now = hw_timer();
    uint16_t period = now - last;
    last = now;
    periods[edges & 3] = period;
    edges++;
    hw_set_compare(now + period / 6 + trim);
}
void mix(void) { mixed = hw_mix(200, -7, -100000); }
"""
DECLARATIONS = (
    "uint16_t hw_timer(void)",
    "void hw_set_compare(uint16_t value);",
    "int32_t hw_mix(uint8_t a, int16_t b, int32_t c)",
)
STUBS = {signature_of(declaration)[0]: declaration for declaration in DECLARATIONS}


@pytest.mark.parametrize("core", TARGET_CORES)
def test_a_handler_runs_against_scripted_hardware(core: str, tmp_path: Path) -> None:
    machine = machine_of(CONTROL_LAW, core, tmp_path, STUBS)
    times, compares = iter([1000, 4000]), []
    machine.stub("hw_timer", lambda: next(times), signature="-> u16")
    machine.stub("hw_set_compare", compares.append, signature="u16 ->")
    machine.write("last", "u16", 65000)
    first = machine.call("on_hall_edge")
    second = machine.call("on_hall_edge")
    wrapped = (1000 - 65000) % 65536
    assert compares == [1000 + wrapped // 6 - 3, 4000 + 3000 // 6 - 3]
    assert [machine.read("periods", "u16", index) for index in range(3)] == [wrapped, 3000, 0]
    assert (machine.read("last", "u16"), machine.read("trim", "i16"), machine.read("edges", "u8")) == (
        4000,
        -3,
        2,
    )
    assert first.stub_calls == second.stub_calls == {"hw_timer": 1, "hw_set_compare": 1}
    machine.reset()
    assert (machine.read("last", "u16"), machine.read("trim", "i16")) == (0, -3)


@pytest.mark.parametrize("core", TARGET_CORES)
def test_a_stub_costs_what_it_was_given_and_nothing_else(core: str, tmp_path: Path) -> None:
    source = 'void hw(void); void with(void) { hw(); hw(); __asm__ volatile (""); }'
    machine = machine_of(source, core, tmp_path, {"hw": "void hw(void)"})
    whole = machine.call("with").cycles  # the empty bodies are executed, with call and return
    machine.stub("hw", lambda: None)
    free = machine.call("with")
    machine.stub("hw", lambda: None, cycles=7)
    assert machine.call("with").cycles == free.cycles + 2 * 7
    assert free.cycles < whole
    assert free.cycles == free.frame_cycles  # what is left saves registers and returns


@pytest.mark.parametrize("core", TARGET_CORES)
def test_arguments_of_stubs_arrive_as_c_passes_them(core: str, tmp_path: Path) -> None:
    machine = machine_of(CONTROL_LAW, core, tmp_path, STUBS)
    seen: list[tuple[int, ...]] = []

    def answer(*arguments: int) -> int:
        seen.append(arguments)
        return -123456

    machine.stub("hw_mix", answer, signature="u8 i16 i32 -> i32")
    machine.call("mix")
    assert seen == [(200, -7, -100000)]
    assert machine.read("mixed", "i32") == -123456


REGISTERS = """
#include <stdint.h>
volatile uint16_t timer, compare;
volatile uint32_t wide;
void copy(void) { compare = timer + 1; wide = 0x12345678; }
uint16_t twice(void) { return timer + timer; }
"""


@pytest.mark.parametrize("core", TARGET_CORES)
def test_volatile_variables_can_be_peripheral_registers(core: str, tmp_path: Path) -> None:
    machine = machine_of(REGISTERS, core, tmp_path)
    counts, written = iter([0x12FF, 0x1300, 0x2000]), []
    machine.watch("timer", "u16", on_read=lambda: next(counts))
    machine.watch("compare", "u16", on_write=written.append)
    machine.watch("wide", "u32", on_write=written.append)
    machine.call("copy")
    assert written == [0x1300, 0x12345678]
    assert machine.call("twice", signature="-> u16").value == 0x3300
    machine.reset()  # registers stay watched
    machine.watch("timer", "u16", on_read=lambda: 0x0102)
    machine.call("copy")
    assert written[2:] == [0x0103, 0x12345678]


IT_BLOCKS = r"""
#include <stdint.h>
volatile uint32_t port;
__asm__(".syntax unified\n.thumb\n.global f\n.type f,%function\n.balign 4\nf:\n"
        "ldr r2,=port\ncmp r0,#5\nit ls\n{access}\n"  /* 4 <= 5: reached */
        "cmp r0,r1\nbeq 1f\n"                          /* 4 - 1: no borrow, C = 1 */
        "cmp r0,#5\nit cs\nmovcs r0,#5\n1: bx lr\n"     /* 4 - 5: C = 0, not reached */
        ".ltorg\n.size f,.-f\n");
"""


@pytest.mark.parametrize("core", ["m3", "m4f"])
@pytest.mark.parametrize("access", ["strls r0,[r2]", "ldrls r3,[r2]"])
def test_an_access_within_an_it_block_leaves_the_flags_alone(core: str, access: str, tmp_path: Path) -> None:
    """The state of an IT block ends with its last instruction (ARMv7-M manual, ITSTATE; from memory)."""
    machine = machine_of(IT_BLOCKS.replace("{access}", access), core, tmp_path)
    written: list[int] = []
    machine.watch("port", "u32", on_read=lambda: 7, on_write=written.append)
    assert machine.call("f", 4, 1, signature="u32 u32 -> u32").value == 4
    assert written == ([4] if access.startswith("str") else [])


@pytest.mark.parametrize("core", TARGET_CORES)
def test_a_function_that_never_returns_is_an_error(
    core: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("targets.isa.avr", "targets.isa.emulated"):
        monkeypatch.setattr(f"{module}.ENDLESS_CYCLES", 10_000)
    machine = machine_of("void wait(void) { for (;;); }", core, tmp_path)
    with pytest.raises(InputError, match="a function must return"):
        machine.call("wait")


@pytest.mark.parametrize("core", ["avr5", "m0", "rv32imc"])
def test_a_fault_of_a_script_reaches_the_caller(core: str, tmp_path: Path) -> None:
    machine = machine_of(CONTROL_LAW, core, tmp_path, STUBS)
    machine.stub("hw_timer", lambda: 1 // 0, signature="-> u16")
    with pytest.raises(ZeroDivisionError):
        machine.call("on_hall_edge")


@pytest.mark.parametrize("core", ["avr5", "m0"])
def test_an_unknown_symbol_is_named(core: str, tmp_path: Path) -> None:
    machine = machine_of("void f(void) {}", core, tmp_path)
    with pytest.raises(InputError, match="the program must have the symbol, found no 'g'"):
        machine.call("g")


def test_flash_and_ram_are_those_of_the_sections(tmp_path: Path) -> None:
    source = """
    const unsigned char table[100] = {1}; unsigned char initial[10] = {1}, zero[30];
    int f(int i) { return table[i] + initial[i] + zero[i]; }"""
    m0 = machine_of(source, "m0", tmp_path).image
    code_bytes = m0.find("f").size_bytes
    assert m0.flash_bytes == pytest.approx(100 + 10 + code_bytes, abs=6)  # 6: padding to words
    assert m0.ram_bytes == pytest.approx(10 + 30, abs=6)
    avr = machine_of(source, "avr5", tmp_path).image
    assert avr.ram_bytes == 100 + 10 + 30  # constants are copied to RAM there
    start_up_bytes = 22 + 16  # libgcc 5.4: loops that copy initial values and clear the rest
    assert avr.flash_bytes == 100 + 10 + avr.find("f").size_bytes + start_up_bytes


def test_unknown_core_lists_the_ones_there_are(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=f"found 'm7'; use one of {', '.join(CORES)}"):
        load(tmp_path / "program.elf", "m7")


def test_a_missing_compiler_names_its_packages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shutil.which", lambda _: None)
    with pytest.raises(
        InputError, match=r"no avr-gcc; install it \(Debian: apt-get install gcc-avr avr-libc\)"
    ):
        compile_c({"f.c": "void f(void) {}"}, "avr5", tmp_path)


@pytest.mark.parametrize(
    ("core", "module"), [("avr5", "elftools.elf.elffile"), ("m0", "unicorn"), ("rv32ec", "capstone")]
)
def test_a_missing_extra_is_named(
    core: str, module: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = machine_of("void f(void) {}", core, tmp_path).image.path
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(InputError, match=r"install it: pip install 'tickspin\[measure\]'"):
        load(path, core)


def test_an_error_of_the_compiler_is_one_line(tmp_path: Path) -> None:
    skip_without_tools("m0")
    with pytest.raises(InputError) as caught:
        compile_c({"f.c": "void f(void) { return g; }"}, "m0", tmp_path)
    assert "\n" not in str(caught.value)
    assert "f.c" in str(caught.value)


def test_a_function_that_nobody_defines_is_named(tmp_path: Path) -> None:
    skip_without_tools("m0")
    with pytest.raises(InputError, match="undefined reference to `hw_timer'"):
        compile_c({"law.c": CONTROL_LAW}, "m0", tmp_path, stubs={"hw_mix": STUBS["hw_mix"]})


@pytest.mark.parametrize(
    ("declaration", "name", "signature"),
    [
        ("uint16_t hw_timer(void)", "hw_timer", "-> u16"),
        ("void hw_set_compare(uint16_t value);", "hw_set_compare", "u16 ->"),
        ("float hw_mix(uint8_t a, int32_t, double c)", "hw_mix", "u8 i32 f64 -> f32"),
        ("void f()", "f", "->"),
    ],
)
def test_a_declaration_tells_the_signature(declaration: str, name: str, signature: str) -> None:
    assert signature_of(declaration) == (name, signature)


@pytest.mark.parametrize("declaration", ["hw_timer", "char *name(void)", "long f(void)", "void f(int a)"])
def test_a_declaration_with_other_types_is_refused(declaration: str) -> None:
    with pytest.raises(ValueError, match="a declaration is written as"):
        signature_of(declaration)


def test_a_file_that_is_no_program_is_an_error(tmp_path: Path) -> None:
    skip_without_tools("avr5")
    path = tmp_path / "text.elf"
    path.write_text("no program")
    with pytest.raises(InputError, match="the program must be a linked ELF file"):
        load(path, "avr5")


STACKS = """
#include <stdint.h>
volatile uint8_t sink;
void leaf(void) { sink = 1; }
void buffer(void) { volatile uint8_t room[100]; for (uint8_t i = 0; i < 100; i++) room[i] = i; }
void __attribute__((noinline)) nest(void) { buffer(); sink = 2; }
"""


@pytest.mark.parametrize("core", TARGET_CORES)
def test_the_stack_that_a_call_uses_is_seen(core: str, tmp_path: Path) -> None:
    machine = machine_of(STACKS, core, tmp_path)
    return_bytes = 2 if core.startswith("avr") else 0  # AVR keeps return addresses on the stack
    assert machine.call("leaf").stack_bytes == return_bytes
    used = machine.call("buffer").stack_bytes
    assert 100 + return_bytes <= used <= 100 + 16  # frame pointer, saved registers, alignment to 16 on RISC-V
    assert machine.call("leaf").stack_bytes == return_bytes  # what an earlier call left is forgotten
    assert machine.call("nest").stack_bytes >= used + return_bytes
