"""The design that a law is checked, priced and exported in: a scenario's, or the starter's, with changes."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Final

from controllers import describe_law, law_path
from sim.design import Design, Override, design_from_dict, load_design, starter, variant_of

USUAL_TARGET: Final = "m0"
"""Without a scenario."""
NOTHING: Final[Mapping[str, Override]] = MappingProxyType({})


def design_of_law(
    law: str,
    *,
    arithmetic: str | None = None,
    target: str | None = None,
    prescaler: int | None = None,
    scenario: Path | None = None,
    target_files: Mapping[str, str] = MappingProxyType({}),
    settings: Mapping[str, Override] = NOTHING,
) -> Design:
    """A law with everything it is bound to: timer, motor, parameters.

    Args:
        law: name or file.
        arithmetic: instead of the scenario's; without a scenario that of the starter.
        target: instead of the scenario's; without a scenario USUAL_TARGET.
        prescaler: of the step timer; else the one that keeps the scenario's timer tick best.
        scenario: file that gives the rest; else the starter scenario does, with the sensors of the law. Its
            parameters are those of its own law.
        target_files: name -> data file of the user's own targets.
        settings: any other keys.
    Raises:
        InputError: no such law, target or scenario, or what they say does not go together.
    """
    law_path(law)
    given = {"firmware.arithmetic": arithmetic, "firmware.prescaler": prescaler, **settings}
    changes: dict[str, Override] = {key: value for key, value in given.items() if value is not None}
    if scenario is None:
        changes = {**_sensors_of(law), **changes}
        base, target = design_from_dict(tomllib.loads(starter("starter")), "starter"), target or USUAL_TARGET
    else:
        base = load_design(scenario, target_files)
    if target is not None:
        changes.setdefault("firmware.target", target)
    if not _same_law(law, base.firmware.law):
        changes["firmware.law"] = law
    return variant_of(base, changes, str(scenario or "command line"))


def _sensors_of(law: str) -> dict[str, Override]:
    """The Hall sensors that a law is written for."""
    sensors = describe_law(law_path(law)).sensors
    return {} if sensors == 1 else {"hall.sensors": sensors, "hall.edges": "both"}


def _same_law(law: str, other: str) -> bool:
    """Whether two names stand for one law, or two paths for one file."""
    return law == other or (law.endswith(".py") and Path(law).resolve() == Path(other).resolve())
