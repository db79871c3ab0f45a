"""The shipped laws as C: the bits of the machine, on the host and through the compilers of the targets."""

import subprocess
from itertools import product
from pathlib import Path

import pytest

from controllers import Binding, law_names, law_path
from targets import InputError
from tests.controllers.c.harness import STRICT, check_against_machine, check_replay, exported, require
from tests.controllers.support import make_binding

NORMAL, MANY = 10_000, 1_000_000
ARITHMETICS = ("i16", "i32", "q15.16", "q24.8", "q7.8", "f32", "f64")
SANITIZED = ("i32", "q24.8", "f32")
WIDE_ENOUGH = ("i32", "f32", "f64")
"""Arithmetics that hold half the range of a 32-bit timer."""
# parameters small enough for a format; the others are the law's defaults
PARAMETERS = {
    ("open_ramp", "q7.8"): {"trim_s": 2e-6},
    ("step_trim", "q7.8"): {"lag_s": 2e-5},
    ("step_trim_background", "q7.8"): {"lag_s": 2e-5},
}
# what a law refuses whatever its parameters: 256 times the duty does not fit, or the longest step time
REFUSED = {
    *product(("duty_pi", "duty_pi_three", "trim_then_duty"), ("i16", "q15.16", "q7.8")),
    ("free_trim", "q7.8"),
}
CASES = [case for case in product(law_names(), ARITHMETICS) if case not in REFUSED]
IDS = [f"{law} {arithmetic}" for law, arithmetic in CASES]


def binding_for(law: str, arithmetic: str, timer_bits: int = 16) -> Binding:
    return make_binding(arithmetic, PARAMETERS.get((law, arithmetic)), timer_bits=timer_bits)


@pytest.mark.parametrize(("law", "arithmetic"), CASES, ids=IDS)
def test_law_gives_the_bits_of_the_machine(tmp_path: Path, law: str, arithmetic: str) -> None:
    check_against_machine(tmp_path, law_path(law), binding_for(law, arithmetic), NORMAL)


@pytest.mark.slow
@pytest.mark.parametrize(("law", "arithmetic"), CASES, ids=IDS)
def test_law_gives_the_bits_of_the_machine_at_length(tmp_path: Path, law: str, arithmetic: str) -> None:
    check_against_machine(tmp_path, law_path(law), binding_for(law, arithmetic), MANY, seed=3)


@pytest.mark.slow
@pytest.mark.parametrize(("law", "arithmetic"), [*product(law_names(), WIDE_ENOUGH)])
def test_law_with_a_wide_timer_gives_the_bits_of_the_machine(
    tmp_path: Path, law: str, arithmetic: str
) -> None:
    check_against_machine(tmp_path, law_path(law), binding_for(law, arithmetic, 32), MANY, seed=4)


@pytest.mark.parametrize(("law", "arithmetic"), [*product(law_names(), SANITIZED)])
def test_replay_of_a_law_has_no_undefined_behaviour(tmp_path: Path, law: str, arithmetic: str) -> None:
    check_replay(tmp_path, law_path(law), binding_for(law, arithmetic), 300)


@pytest.mark.parametrize(("law", "arithmetic"), sorted(REFUSED))
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


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every law in a folder per arithmetic."""
    folder = tmp_path_factory.mktemp("sources")
    for law, arithmetic in CASES:
        exported(folder / arithmetic, law_path(law), binding_for(law, arithmetic), vectors=1)
    return folder


@pytest.mark.parametrize("target", TARGETS)
def test_laws_compile_for_the_targets(sources: Path, target: str) -> None:
    for law, arithmetic in CASES:
        built = compile_for(target, sources / arithmetic, law)
        if target.startswith("avr") and arithmetic == "f64":
            # double has 32 bits there; the header says so instead of computing something else
            assert "double_has_64_bits" in built.stderr
        else:
            assert built.returncode == 0, built.stderr
