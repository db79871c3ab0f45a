"""What `check` finds in the shipped laws on the starter's motor: nothing but what lies in their nature."""

import pytest

from controllers.catalogue import law_names
from controllers.check.draw import Drawer
from controllers.check.properties import RELATION_PROPERTIES
from controllers.check.result import FAILS
from controllers.check.search import check
from sim.design import Design
from sim.run.assemble import build_firmware
from sim.studies.checks import subject_of
from sim.studies.law_design import design_of_law
from sim.studies.stress import stress

BY_NATURE = {"free_trim": ["recovery", "rest", "sign", "standing error"]}
"""A field that runs free of the rotor comes back to no place and holds no speed."""
HELD = [law for law in law_names() if law not in ("free_trim", "open_ramp")]
"""The laws that follow the rotor."""


def starter(law: str) -> Design:
    return design_of_law(law, target="m0", arithmetic="i32")


@pytest.mark.slow
@pytest.mark.parametrize("law", law_names())
def test_no_property_of_a_shipped_law_fails_at_the_volume_of_the_command(law: str) -> None:
    design = starter(law)
    found = check(subject_of(design, build_firmware(design)))
    failed = [verdict.name for verdict in found.verdicts if verdict.outcome == FAILS]
    assert failed == BY_NATURE.get(law, [])


@pytest.mark.slow
@pytest.mark.parametrize("law", HELD)
def test_no_stress_makes_a_law_that_follows_the_rotor_lose_it_for_good(law: str) -> None:
    design = starter(law)
    found = stress(design, build_firmware(design), seed=2, share=0.2)
    assert found.counterexample == ()
    assert found.stood > 5


@pytest.mark.slow
@pytest.mark.parametrize("law", [law for law in HELD if law != "duty_pi_three"])
@pytest.mark.parametrize("name", ["recovery", "rest"])
def test_a_law_on_a_timer_of_32_bits_recovers_from_any_state(law: str, name: str) -> None:
    """Which waits for minutes where it waits for half of the timer's range."""
    design = design_of_law(law, target="m4f", arithmetic="i32")
    subject = subject_of(design, build_firmware(design))
    relation = next(row for row in RELATION_PROPERTIES if row.name == name)
    space = relation.space(subject)
    drawer = Drawer(space, seed=7)
    drawn = (space.scenario(drawer.draw()) for _ in range(300))
    assert [scenario.lines() for scenario in drawn if relation.judge(subject, scenario)] == []
