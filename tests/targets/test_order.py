"""Relations that must hold between the rows of one target, and between targets."""

from __future__ import annotations

from itertools import pairwise

import pytest

from targets import COST_KEYS, load_target

REAL_TARGETS = (
    "acc8", "mcs51", "avr25", "avr5", "dsp16", "m0", "m0plus", "m3", "m4f", "rv32ec", "rv32imc",
)  # fmt: skip
# Cycles that a narrow kind pays beside the operation: a 32-bit core extends the result again (two shifts on
# RISC-V); AVR and dsp16 extend both operands of an 8-bit division (MOV, LSL, SBC each) and divide 16 bits.
EXTENSION_CYCLES = {
    "acc8": 0, "mcs51": 0, "avr25": 2 * 3, "avr5": 2 * 3, "dsp16": 2 * 3, "m0": 1, "m0plus": 1, "m3": 1,
    "m4f": 1, "rv32ec": 2, "rv32imc": 2,
}  # fmt: skip
WIDER_COSTS_NO_LESS = ("add", "sub", "mul", "div", "mod", "and", "or", "xor", "branch_lt", "branch_eq")


@pytest.mark.parametrize("name", [*REAL_TARGETS, "ideal"])
def test_minimum_typical_and_maximum_are_in_order(name: str) -> None:
    for key, cost in load_target(name).costs.items():
        assert 0 <= cost.cycles_min <= cost.cycles_typical <= cost.cycles_max, key


@pytest.mark.parametrize("name", REAL_TARGETS)
@pytest.mark.parametrize("operation", WIDER_COSTS_NO_LESS)
@pytest.mark.parametrize("sign", ["u", "i"])
def test_wider_operands_cost_no_less(name: str, operation: str, sign: str) -> None:
    target = load_target(name)
    extension_cycles = EXTENSION_CYCLES[name]
    costs = [target.costs[f"{sign}{bits}_{operation}"] for bits in (8, 16, 32)]
    for narrow, wide in pairwise(costs):
        assert wide.cycles_typical + extension_cycles >= narrow.cycles_typical
        assert wide.cycles_max + extension_cycles >= narrow.cycles_max


@pytest.mark.parametrize("name", REAL_TARGETS)
@pytest.mark.parametrize("operation", ["div", "mod"])
@pytest.mark.parametrize("sign", ["u", "i"])
def test_32_bit_division_costs_no_less_than_16_bit(name: str, operation: str, sign: str) -> None:
    target = load_target(name)
    narrow, wide = (target.costs[f"{sign}{bits}_{operation}"] for bits in (16, 32))
    extension_cycles = EXTENSION_CYCLES[name] if target.memory.word_bits == 32 else 0
    assert wide.cycles_max + extension_cycles >= narrow.cycles_max


@pytest.mark.parametrize("name", REAL_TARGETS)
@pytest.mark.parametrize("word", ["load", "store", "const", "move"])
def test_wider_data_cost_no_less(name: str, word: str) -> None:
    target = load_target(name)
    costs = [target.costs[f"{word}{bits}"] for bits in (8, 16, 32, 64)]
    for narrow, wide in pairwise(costs):
        assert wide.cycles_typical >= narrow.cycles_typical
        assert wide.flash_bytes >= narrow.flash_bytes - 2  # signed narrow loads of Arm hold an extension


@pytest.mark.parametrize("name", REAL_TARGETS)
def test_division_costs_no_less_than_multiplication(name: str) -> None:
    costs = load_target(name).costs
    # Without multiplier rv32ec multiplies 32 bits whatever the kind: negative bytes are the longest factors.
    narrow_signed = () if name == "rv32ec" else ("i8", "i16")
    for kind in ("u8", "u16", *narrow_signed, "u32", "i32", "f32", "f64"):
        assert costs[f"{kind}_div"].cycles_max >= costs[f"{kind}_mul"].cycles_max, kind


@pytest.mark.parametrize("name", REAL_TARGETS)
def test_routines_are_called_with_a_call(name: str) -> None:
    target = load_target(name)
    shortest_cycles = target.interrupt.call_cycles + target.interrupt.return_cycles
    for key, cost in target.costs.items():
        if cost.routine is not None:
            assert cost.cycles_min >= shortest_cycles, key
            assert target.routines[cost.routine].bytes > 0


@pytest.mark.parametrize("name", REAL_TARGETS)
def test_every_operation_of_a_real_core_that_works_takes_time_and_flash(name: str) -> None:
    costs = load_target(name).costs
    free = {key for key in COST_KEYS if costs[key].cycles_max == 0 or costs[key].flash_bytes == 0}
    # Free by nature: parts of a shift, a conversion that keeps the register, the one float format of avr5.
    assert all("shift" in key or "convert" in key or key in ("f32_to_f64", "f64_to_f32") for key in free)


def test_ideal_machine_costs_nothing_and_is_the_only_exact_one() -> None:
    ideal = load_target("ideal")
    assert all(cost.cycles_max == 0 and cost.flash_bytes == 0 for cost in ideal.costs.values())
    assert ideal.interrupt.entry_cycles == ideal.interrupt.exit_cycles == ideal.interrupt.poll_cycles == 0
    assert ideal.exact_arithmetic
    assert not any(load_target(name).exact_arithmetic for name in REAL_TARGETS)


def test_a_division_takes_less_and_less_time_from_core_to_core() -> None:
    times_us = []
    for name in ("mcs51", "acc8", "avr5", "m0", "m4f"):
        target = load_target(name)
        times_us.append(1e6 * target.costs["i32_div"].cycles_typical / target.clock.default_Hz)
    assert times_us == sorted(times_us, reverse=True)


def test_double_on_the_8_bit_avr_is_the_4_byte_one() -> None:
    target = load_target("avr5")
    assert "4-byte double" in target.sources["costs.float64"]
    assert target.costs["f64_add"].routine == target.costs["f32_add"].routine


@pytest.mark.parametrize("name", REAL_TARGETS)
@pytest.mark.parametrize("kind", ["u8", "i8", "u16", "i16", "u32", "i32"])
def test_saturation_costs_no_less_than_wrapping(name: str, kind: str) -> None:
    costs = load_target(name).costs
    for operation in ("add", "sub"):
        wrapping, saturating = costs[f"{kind}_{operation}"], costs[f"{kind}_sat_{operation}"]
        assert saturating.cycles_max >= wrapping.cycles_max
        # u32: the comparison alone gives the difference on some cores, so nothing is re-extended.
        assert saturating.flash_bytes >= wrapping.flash_bytes


@pytest.mark.parametrize("name", REAL_TARGETS)
def test_64_bit_intermediates_cost_no_less_than_32_bits(name: str) -> None:
    costs = load_target(name).costs
    for operation in ("add", "sub", "mul", "div", "mod", "neg", "branch_lt", "branch_eq"):
        assert costs[f"i64_{operation}"].cycles_typical >= costs[f"i32_{operation}"].cycles_typical, operation


@pytest.mark.parametrize("name", REAL_TARGETS)
@pytest.mark.parametrize("bits", [8, 16, 32, 64])
def test_an_element_costs_no_less_than_a_variable_and_a_table_no_less_than_an_array(
    name: str, bits: int
) -> None:
    costs = load_target(name).costs
    # 1: an address near the global pointer, or loads that pipeline, can save one beside the literal.
    assert costs[f"load_at{bits}"].cycles_typical + 1 >= costs[f"load{bits}"].cycles_typical
    assert costs[f"table_at{bits}"].cycles_typical >= costs[f"load_at{bits}"].cycles_typical


@pytest.mark.parametrize("name", REAL_TARGETS)
def test_every_target_states_what_the_ranking_needs(name: str) -> None:
    target = load_target(name)
    assert target.price_USD > 0
    assert target.sources["price_USD"].startswith("indicative")
    assert 0 < target.clock.tolerance < 0.2
    assert target.step_timer.count >= 1
    assert (target.floating_point_unit == "f32") == (name == "m4f")
    assert (target.interrupt.vectors == "single") == (name == "acc8")
