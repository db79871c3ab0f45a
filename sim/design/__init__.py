"""The design that everything else works on: scenario files, their checks, variants, the starter scenario."""

from sim.design.choices import choices_of, fitting_prescaler, variant_of
from sim.design.loader import design_from_dict, load_design
from sim.design.motor_sections import THERMAL_MODEL, Motor, Thermal
from sim.design.overrides import (
    Override,
    Variant,
    apply_overrides,
    is_number,
    key_fault,
    stated_values,
)
from sim.design.plant_sections import Drive, Hall, Load, LoadPoint, LoadStep, SupplyStep
from sim.design.schema import Command, Design, Firmware, Numerics, Require, Step
from sim.design.starter import reference, starter, write_new
from sim.design.values import value_faults
from sim.design.writer import design_text

__all__ = [
    "THERMAL_MODEL",
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
    "SupplyStep",
    "Thermal",
    "Variant",
    "apply_overrides",
    "choices_of",
    "design_from_dict",
    "design_text",
    "fitting_prescaler",
    "is_number",
    "key_fault",
    "load_design",
    "reference",
    "starter",
    "stated_values",
    "value_faults",
    "variant_of",
    "write_new",
]
