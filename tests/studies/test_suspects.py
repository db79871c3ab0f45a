"""Suspects that depend on the parameters of a law."""

import pytest

from sim.design import Override, apply_overrides, load_design
from sim.studies.suspects import suspects


@pytest.mark.parametrize(
    ("law", "duty", "suspected"),
    [("duty_pi", None, True), ("duty_pi", 0.9, True), ("duty_pi", 1.0, False), ("step_trim", None, False)],
)
def test_a_start_at_less_than_full_duty_is_a_suspect(law: str, duty: float | None, suspected: bool) -> None:
    given: dict[str, Override] = {} if duty is None else {"start_duty": duty}
    blower = load_design("scenarios/air_sampler.toml")
    design = apply_overrides(blower, {"firmware.law": law, "firmware.parameters": given})
    asked = {suspect.variant.name: suspect.variant.overrides for suspect in suspects(design)}
    assert asked.get("start") == ({"firmware.parameters.start_duty": 1.0} if suspected else None)
