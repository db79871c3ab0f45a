"""The shipped laws as C: the bits of the machine, on the host and through the compilers of the targets."""

import subprocess
from pathlib import Path

import pytest

from controllers import law_names, law_path
from targets import InputError
from tests.controllers.c.harness import STRICT, check_against_machine, check_replay, exported, require
from tests.controllers.support import make_binding

NORMAL, MANY = 10_000, 1_000_000
ARITHMETICS = ("i16", "i32", "q15.16", "q24.8", "q7.8", "f32", "f64")
# what a law refuses at its default parameters, and why
REFUSED = {
    ("duty_pi", "i16"): "256 times the duty does not fit",
    ("duty_pi", "q15.16"): "256 times the duty does not fit",
    ("duty_pi", "q7.8"): "the duty does not fit",
    ("step_trim", "q7.8"): "the largest lag does not fit",
}
CASES = [(law, a) for law in law_names() for a in ARITHMETICS if (law, a) not in REFUSED]
IDS = [f"{law} {arithmetic}" for law, arithmetic in CASES]


@pytest.mark.parametrize(("law", "arithmetic"), CASES, ids=IDS)
def test_law_gives_the_bits_of_the_machine(tmp_path: Path, law: str, arithmetic: str) -> None:
    check_against_machine(tmp_path, law_path(law), make_binding(arithmetic), NORMAL)


@pytest.mark.slow
@pytest.mark.parametrize("timer_bits", [16, 32])
@pytest.mark.parametrize(("law", "arithmetic"), CASES, ids=IDS)
def test_law_gives_the_bits_of_the_machine_at_length(
    tmp_path: Path, law: str, arithmetic: str, timer_bits: int
) -> None:
    binding = make_binding(arithmetic, timer_bits=timer_bits)
    check_against_machine(tmp_path, law_path(law), binding, MANY, seed=timer_bits)


@pytest.mark.parametrize(("law", "arithmetic"), CASES, ids=IDS)
def test_replay_program_of_a_law_has_no_undefined_behaviour(
    tmp_path: Path, law: str, arithmetic: str
) -> None:
    check_replay(tmp_path, law_path(law), make_binding(arithmetic, timer_bits=32), 300)


@pytest.mark.parametrize(("law", "arithmetic"), REFUSED)
def test_law_that_cannot_be_compiled_is_not_exported(tmp_path: Path, law: str, arithmetic: str) -> None:
    with pytest.raises(InputError, match="fits number"):
        exported(tmp_path, law_path(law), make_binding(arithmetic))


TARGETS = {
    "avr25": ("avr-gcc", "-mmcu=attiny85"),
    "avr5": ("avr-gcc", "-mmcu=atmega328p"),
    "m0": ("arm-none-eabi-gcc", "-mcpu=cortex-m0", "-mthumb"),
    "m4f": ("arm-none-eabi-gcc", "-mcpu=cortex-m4", "-mthumb", "-mfpu=fpv4-sp-d16", "-mfloat-abi=hard"),
    "rv32imc": ("riscv64-unknown-elf-gcc", "-march=rv32imc", "-mabi=ilp32", "-ffreestanding"),
    "rv32ec": ("riscv64-unknown-elf-gcc", "-march=rv32ec", "-mabi=ilp32e", "-ffreestanding"),
}


def compile_for(target: str, folder: Path, law: str) -> subprocess.CompletedProcess[str]:
    """The law's own C file to an object file, every warning an error."""
    compiler, *options = TARGETS[target]
    require(compiler)
    command = [
        compiler,
        *options,
        *STRICT,
        "-Os",
        "-c",
        str(folder / f"{law}.c"),
        "-o",
        str(folder / "law.o"),
    ]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("target", TARGETS)
def test_laws_compile_for_the_targets(tmp_path: Path, target: str) -> None:
    require(TARGETS[target][0])
    for law, arithmetic in CASES:
        exported(tmp_path / arithmetic, law_path(law), make_binding(arithmetic), vectors=1)
        built = compile_for(target, tmp_path / arithmetic, law)
        if target.startswith("avr") and arithmetic == "f64":
            # double has 32 bits there; the header says so instead of computing something else
            assert "double_has_64_bits" in built.stderr
        else:
            assert built.returncode == 0, built.stderr
