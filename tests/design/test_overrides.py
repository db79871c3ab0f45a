"""Variants: what an override does, what it leaves alone, and how a bad one is refused."""

import math
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.design import Design, Override, Variant, apply_overrides, design_from_dict, starter
from targets import InputError

BASE = design_from_dict(tomllib.loads(starter("base")))

# Numbers that may be set without breaking a relation to another key.
FREE_NUMBERS = [
    ("motor.phase_resistance_ohm", 0.001, 1000),
    ("motor.phase_inductance_H", 1e-8, 1),
    ("motor.ke_V_s_per_rad", 1e-7, 10),
    ("motor.inertia_kg_m2", 1e-12, 1),
    ("drive.supply_V", 0.5, 60),
    ("load.added_inertia_kg_m2", 0, 1),
    ("numerics.max_segment_s", 1e-7, 0.01),
]


def value_at(design: Design, path: str) -> float:
    section, name = path.split(".")
    return float(getattr(getattr(design, section), name))


def faults_of(overrides: dict[str, Override]) -> list[str]:
    with pytest.raises(InputError) as refused:
        apply_overrides(BASE, overrides)
    return [str(fault) for fault in refused.value.faults]


def test_changes_of_each_kind_together() -> None:
    design = apply_overrides(
        BASE,
        {
            "motor.ke_V_s_per_rad": "x1.2",
            "firmware.target": "m4f",
            "drive.supply_V": 7,
            "motor.pole_pairs": "x3",
        },
    )
    assert design.motor.ke_V_s_per_rad == 3.5e-4 * 1.2
    assert design.firmware.target == "m4f"
    assert design.drive.supply_V == 7.0
    assert design.motor.pole_pairs == 6
    assert BASE.drive.supply_V == 5.0


@pytest.mark.parametrize(
    ("change", "expected"),
    [("x2", 10.0), ("+0.5", 5.5), ("-0.5", 4.5), ("7", 7.0), (" x1e1 ", 50.0), (".5", 0.5)],
)
def test_text_for_a_number(change: str, expected: float) -> None:
    assert apply_overrides(BASE, {"drive.supply_V": change}).drive.supply_V == expected


def test_list_and_table_values() -> None:
    steps = [{"at_s": 0, "speed_rpm": 9500}, {"at_s": 1, "speed_rpm": 9000}]
    design = apply_overrides(
        BASE,
        {
            "firmware.idealise": ["cost", "tick"],
            "command.speed_rpm": None,
            "command.steps": steps,
            "firmware.parameters": {"a": 1.0},
            "firmware.parameters.b": 2,
        },
    )
    assert design.firmware.idealise == ("cost", "tick")
    assert [step.speed_rpm for step in design.command.profile] == [9500, 9000]
    assert design.firmware.parameters == {"a": 1.0, "b": 2.0}


def test_parameters_can_be_changed_again() -> None:
    once = apply_overrides(BASE, {"firmware.parameters.kp": 2})
    assert apply_overrides(once, {"firmware.parameters.kp": "x1.5"}).firmware.parameters == {"kp": 3.0}


def test_tables_given_are_not_changed() -> None:
    table: dict[str, float] = {"a": 1.0}
    apply_overrides(BASE, {"firmware.parameters": table, "firmware.parameters.b": 2})
    assert table == {"a": 1.0}


def test_stiction_follows_coulomb_until_it_is_stated() -> None:
    followed = apply_overrides(BASE, {"motor.coulomb_Nm": "x3"})
    assert followed.motor.stiction_Nm == followed.motor.coulomb_Nm
    stated = apply_overrides(BASE, {"motor.stiction_Nm": 8e-6})
    assert apply_overrides(stated, {"motor.coulomb_Nm": 6e-6}).motor.stiction_Nm == 8e-6


def test_clock_that_the_new_target_cannot_run_at_is_refused_with_its_range() -> None:
    stated = apply_overrides(BASE, {"firmware.target": "m4f", "firmware.clock_Hz": 100e6})
    with pytest.raises(
        InputError, match=r"firmware\.clock_Hz: must be a clock that target \"acc8\" can run at.*allowed"
    ):
        apply_overrides(stated, {"firmware.target": "acc8"})
    assert (
        apply_overrides(stated, {"firmware.target": "acc8", "firmware.clock_Hz": None}).firmware.clock_Hz
        is None
    )


BAD_OVERRIDES: list[tuple[str, Override, str]] = [
    ("motor.ke_V_s_rad", 3, "did you mean motor.ke_V_s_per_rad?"),
    ("supply_V", 3, "must be a key of the scenario"),
    ("motor", {}, "must be a key of the scenario"),
    ("command.steps.at_s", 0, "did you mean command.steps?"),
    ("drive.supply_V", "six", "must be a number or a change of one"),
    ("drive.supply_V", "x-1", "must be a number or a change of one"),
    ("drive.supply_V", "xnan", "must be a number or a change of one"),
    ("drive.supply_V", "x1e400", "must be a finite number"),
    ("drive.supply_V", "x100", "allowed: 0.5 to 60 V"),
    (
        "load.constant_torque_Nm",
        "x2",
        "must not be 0 for a factor to change it, found 0; give a plain number",
    ),
    ("drive.supply_V", True, "found true (a boolean)"),
    ("drive.supply_V", math.nan, "must be a finite number"),
    ("drive.supply_V", None, "must be given"),
    ("load.fan_torque_Nm", "x2", "must have a value that can be changed"),
    ("firmware.parameters.kp", "+1", "must have a value that can be changed"),
    ("motor.pole_pairs", "x1.3", "must be a whole number, found 2.6"),
    ("firmware.law", "x1.2", "must be the name of a shipped law or a .py file"),
    ("firmware.prescaler", "x3", "must be a prescaler"),
    ("require.within_s", "+10", "must not be longer than the run"),
]


@pytest.mark.parametrize(("path", "value", "phrase"), BAD_OVERRIDES)
def test_bad_override(path: str, value: Override, phrase: str) -> None:
    (fault,) = faults_of({path: value})
    assert fault.startswith(f"override: {path}: ")
    assert phrase in fault


def test_all_bad_overrides_are_reported_together() -> None:
    assert len(faults_of({"motor.kee": 3, "drive.supply_V": "six", "load.fan_torque_Nm": "x2"})) == 3


def test_key_inside_a_table_that_is_replaced_by_something_else() -> None:
    (fault,) = faults_of({"firmware.parameters": "x", "firmware.parameters.kp": 3})
    assert "do not override parameters as a whole as well" in fault


def test_variant_without_overrides_is_the_design() -> None:
    assert apply_overrides(BASE, Variant("as it is").overrides) == BASE


@st.composite
def free_number(draw: st.DrawFn) -> tuple[str, float]:
    path, low, high = draw(st.sampled_from(FREE_NUMBERS))
    return path, draw(st.floats(low, high))


@given(free_number())
def test_a_number_set_is_the_number_read(override: tuple[str, float]) -> None:
    path, value = override
    assert value_at(apply_overrides(BASE, {path: value}), path) == value


@given(free_number(), free_number())
def test_order_of_different_keys_does_not_matter(one: tuple[str, float], other: tuple[str, float]) -> None:
    if one[0] == other[0]:
        other = ("drive.diode_drop_V", 0.3)
    both = apply_overrides(BASE, dict([one, other]))
    assert both == apply_overrides(BASE, dict([other, one]))
    assert both == apply_overrides(apply_overrides(BASE, dict([one])), dict([other]))


@given(free_number())
def test_only_the_key_asked_for_changes(override: tuple[str, float]) -> None:
    path, value = override
    changed = apply_overrides(BASE, {path: value})
    assert apply_overrides(changed, {path: value_at(BASE, path)}) == BASE


@given(st.floats(0.2, 10))
def test_factor_is_the_product(factor: float) -> None:
    assert apply_overrides(BASE, {"drive.supply_V": f"x{factor!r}"}).drive.supply_V == 5.0 * factor


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
KEYS_OR_NOISE = st.sampled_from([path for path, *_ in FREE_NUMBERS]) | st.sampled_from(
    [
        "name",
        "firmware.law",
        "firmware.parameters",
        "firmware.parameters.kp",
        "command.steps",
        "firmware.idealise",
    ]
)


def outcome(overrides: dict[str, Override]) -> Design | InputError:
    try:
        return apply_overrides(BASE, overrides)
    except InputError as refused:
        return refused


@pytest.mark.slow
@settings(max_examples=5000)
@given(st.dictionaries(KEYS_OR_NOISE | st.text(max_size=12), JSON_VALUES, max_size=4))
def test_any_override_gives_a_design_or_readable_faults(overrides: dict[str, Override]) -> None:
    result = outcome(overrides)
    messages = [] if isinstance(result, Design) else [str(fault) for fault in result.faults]
    assert isinstance(result, Design) or messages
    assert [message for message in messages if not message.isprintable()] == []


def test_any_override_plain_case() -> None:
    """The plain case beside the fuzz test above."""
    with pytest.raises(InputError, match="found a list"):
        apply_overrides(BASE, {"drive.supply_V": [1, None, "x"]})
