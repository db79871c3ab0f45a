"""Parameters in real units: conversion by suffix, rounding reports, gains."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from controllers.binding import FITTED
from controllers.catalogue import describe_law, describe_laws, law_names, law_path
from controllers.kinds import F32, I16, U8, Kind, fixed_kind
from controllers.lower import compile_law
from controllers.lower.constants import OutOfRangeError, decode, encode, nearest_integer
from controllers.lower.parameters import split_gain
from controllers.lower.units import UNITS, unit_of
from targets.errors import InputError
from tests.controllers.support import DESIGN, Bench, compile_text, law_text, make_binding

TRIM = 'trim = param(number, "trim_s", 1.3e-6, low=0, high=1, about="trim")\nx = var(number, 0)'


# a tick is 0.5 us: 1.3 us are 2.6 ticks
@pytest.mark.parametrize(
    ("arithmetic", "stored_s", "error_s"),
    [
        ("i32", 1.5e-6, 0.2e-6),
        ("q16.16", None, 0.5e-6 / 65536 / 2),
        ("q24.8", None, 0.5e-6 / 256 / 2),
        ("f32", None, 1.3e-6 * 2**-24),
    ],
)
def test_rounding_of_a_parameter_is_reported(
    tmp_path: Path, arithmetic: str, stored_s: float | None, error_s: float
) -> None:
    (report,) = compile_text(tmp_path, law_text("self.x = self.trim", TRIM), arithmetic).rounding
    assert (report.parameter, report.asked, report.unit) == ("trim_s", 1.3e-6, "s")
    assert report.stored != report.asked
    assert abs(report.stored - report.asked) <= error_s * (1 + 1e-9)  # the report itself is a double
    if stored_s is not None:
        assert report.stored == pytest.approx(stored_s, rel=1e-12)


def test_i32_holds_three_ticks(tmp_path: Path) -> None:
    bench = Bench(compile_text(tmp_path, law_text("self.x = self.trim", TRIM)))
    bench.call("on_start")
    assert bench.value("x") == 3


def test_exact_parameter_is_not_reported(tmp_path: Path) -> None:
    program = compile_text(tmp_path, law_text("self.x = self.trim", TRIM.replace("1.3e-6", "2e-6")), "f64")
    assert program.rounding == ()


def test_rounded_literal_is_reported_with_its_line(tmp_path: Path) -> None:
    (report,) = compile_text(tmp_path, law_text("self.x = self.x * 2.75", "x = var(number, 0)")).rounding
    assert report == ("literal in line 6", 2.75, 3.0, "")


@pytest.mark.parametrize(
    ("key", "unit", "factor"),
    [
        ("trim_s", "s", 2e6),
        ("kp_duty_per_rpm", "duty/rpm", 1000),
        ("ki_duty_per_rpm_s", "duty/(rpm s)", 1),  # 1000 counts * 0.001 s
        ("start_duty", "duty", 1000),
        ("limit_rpm", "rpm", 1),
        ("stall_steps", "steps", 1),
        ("blind_turns", "turns", 1),
    ],
)
def test_suffix_of_the_key_gives_unit_and_factor(key: str, unit: str, factor: float) -> None:
    found = unit_of(key)
    assert found is not None
    assert (found.name, found.factor(make_binding())) == (unit, factor)


def test_key_without_a_unit_has_none() -> None:
    assert unit_of("trim") is None
    assert unit_of("s") is None
    assert len({unit.suffix for unit in UNITS}) == len(UNITS)


def test_times_multiplies_further(tmp_path: Path) -> None:
    declared = 'd = param(u16, "start_duty", 0.01, low=0, high=1, times=256, about="duty")\na = var(u16, 0)'
    bench = Bench(compile_text(tmp_path, law_text("self.a = self.d", declared)))
    bench.call("on_start")
    assert bench.value("a") == 2560


@pytest.mark.parametrize("value", [1.0, 0.1, 1e-4, 0.75, 3.14159, 32767.0, -0.3, 1 / 3, 0.99999999])
def test_gain_is_held_to_fifteen_bits(value: float) -> None:
    mantissa, shift = split_gain(value, 63)
    assert 1 << 14 <= abs(mantissa) < 1 << 15
    assert abs(Fraction(mantissa, 1 << shift) - Fraction(value)) <= Fraction(abs(value)) / (1 << 15)


def test_small_gain_loses_bits_rather_than_shift_out_of_the_product() -> None:
    mantissa, shift = split_gain(1e-6, 31)
    assert (mantissa, shift) == (2147, 31)


@pytest.mark.parametrize("value", [32768.0, 1e9, 1e-12])
def test_gain_that_no_right_shift_holds_is_refused(value: float) -> None:
    with pytest.raises(OutOfRangeError):
        split_gain(value, 31)


def test_zero_gain_is_zero() -> None:
    assert split_gain(0.0, 31) == (0, 0)


@pytest.mark.parametrize(
    ("value", "nearest"), [(2.5, 3), (-2.5, -3), (2.4999, 2), (0.5, 1), (-0.5, -1), (0.49999999999999994, 0)]
)
def test_halves_round_away_from_zero(value: float, nearest: int) -> None:
    assert nearest_integer(value) == nearest


def test_encode_and_decode_are_inverse_where_exact() -> None:
    q = fixed_kind(7, 8)
    assert q is not None
    assert encode(-1.5, q) == -384
    assert decode(-384, q) == -1.5
    assert encode(0.1, F32) == 0.10000000149011612
    assert encode(255.4, U8) == 255


@pytest.mark.parametrize(
    ("value", "kind"), [(255.5, U8), (-0.6, U8), (40000, I16), (float("nan"), I16), (1e39, F32)]
)
def test_value_outside_its_kind_is_refused(value: float, kind: Kind) -> None:
    with pytest.raises(OutOfRangeError):
        encode(value, kind)


GAINS = """\
kp = param(gain, "kp_duty_per_rpm", 1e-4, low=0, high=1.2345e-2, about="gain", fitted=True)
ki = param(gain, "ki_duty_per_rpm_s", 1e-3, low=0, high=1, about="gain")"""


@pytest.mark.parametrize(
    ("fitted", "given", "taken"),
    [
        ({}, {}, {}),
        ({"kp_duty_per_rpm": 2.3e-3, "ki_duty_per_rpm_s": 0.5}, {}, {"kp_duty_per_rpm": 2.3e-3}),
        ({"kp_duty_per_rpm": 5.0}, {}, {"kp_duty_per_rpm": 1.2345e-2}),
        ({"kp_duty_per_rpm": 2.3e-3}, {"kp_duty_per_rpm": 3.7e-3}, {}),
    ],
)
def test_a_fitted_parameter_takes_what_fits_unless_it_is_given(
    tmp_path: Path, fitted: dict[str, float], given: dict[str, float], taken: dict[str, float]
) -> None:
    path = tmp_path / "own.py"
    path.write_text(law_text("self.a = scale(self.a, self.kp)", GAINS + "\na = var(number, 0)"))
    binding = replace(make_binding("i32"), fitted=fitted, parameters=given)
    program = compile_law(path, binding)
    assert dict(program.fitted) == taken
    asked = {r.parameter: r.asked for r in program.rounding}
    expected = {"kp_duty_per_rpm": 1e-4, "ki_duty_per_rpm_s": 1e-3, **taken, **given}
    assert asked == expected


@pytest.mark.parametrize(("arithmetic", "most"), [("i32", 32767), ("q15.16", 32767), ("f32", 1e6)])
def test_a_fitted_gain_is_cut_to_what_the_format_holds(tmp_path: Path, arithmetic: str, most: float) -> None:
    path = tmp_path / "own.py"
    declared = GAINS.replace("high=1.2345e-2", "high=1e9") + "\na = var(number, 0)"
    path.write_text(law_text("self.a = scale(self.a, self.kp)", declared))
    fitted = {"kp_duty_per_rpm": 1e6 / DESIGN["duty_top"]}
    program = compile_law(path, replace(make_binding(arithmetic), fitted=fitted))
    assert program.fitted["kp_duty_per_rpm"] * DESIGN["duty_top"] == pytest.approx(most, rel=1e-4)


def test_laws_are_read_in_several_threads_at_once() -> None:
    """Python 3.11's parser alone fails there."""
    with ThreadPoolExecutor(8) as pool:
        described = list(pool.map(lambda _: describe_law(law_path("trim_then_duty")), range(200)))
    assert len(set(described)) == 1


def test_every_shipped_law_is_described() -> None:
    described = {law.name: law for law in describe_laws()}
    assert sorted(described) == law_names()
    assert described["open_ramp"].handlers == ("on_start", "on_step_timer")
    assert described["duty_pi"].handlers == ("on_start", "on_hall_edge", "on_step_timer", "on_control_tick")
    trim = next(p for p in described["step_trim"].parameters if p.key == "trim_s")
    assert (trim.unit, trim.default, trim.low, trim.high) == ("s", 2e-6, 0, 0.01)
    fitted = {name: {p.key for p in law.parameters if p.fitted} for name, law in described.items()}
    duty_laws = ("duty_pi", "duty_pi_three", "trim_then_duty")
    assert fitted == {name: set(FITTED if name in duty_laws else ()) for name in law_names()}
    for law in described.values():
        assert law.summary.endswith(".")
        assert all(p.about and p.unit and p.low <= p.default <= p.high for p in law.parameters)


@pytest.mark.parametrize("law", ["nothing", "../laws/step_trim", "nothing.py", ""])
def test_unknown_law_is_a_fault_of_the_scenario(law: str) -> None:
    with pytest.raises(InputError) as caught:
        law_path(law)
    (fault,) = caught.value.faults
    assert fault.place == "firmware.law"
    assert ", ".join(law_names()) in fault.remedy


def test_own_law_file_is_found_by_its_path(tmp_path: Path) -> None:
    own = tmp_path / "own.py"
    own.write_text(law_text("pass"), encoding="utf-8")
    assert compile_law(law_path(str(own)), make_binding()).name == "own"
