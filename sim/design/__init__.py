"""The design that everything else works on: scenario files, their checks, variants, the starter scenario."""

from sim.design.choices import choices_of, fitting_prescaler
from sim.design.loader import design_from_dict, load_design
from sim.design.motor_sections import Motor, Thermal
from sim.design.overrides import Override, Variant, apply_overrides
from sim.design.plant_sections import Drive, Hall, Load, LoadPoint, LoadStep
from sim.design.schema import Command, Design, Firmware, Numerics, Require, Step
from sim.design.starter import reference, starter, write_new

__all__ = [
    "Command",
    "Design",
    "Drive",
    "Firmware",
    "Hall",
    "Load",
    "LoadPoint",
    "LoadStep",
    "Motor",
    "Numerics",
    "Override",
    "Require",
    "Step",
    "Thermal",
    "Variant",
    "apply_overrides",
    "choices_of",
    "design_from_dict",
    "fitting_prescaler",
    "load_design",
    "reference",
    "starter",
    "write_new",
]
