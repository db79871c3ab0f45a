"""Where the energy of a run is: what is stored, what is gone, and whether any appeared or vanished."""

import numpy as np

from sim.plant.records import Record
from sim.run.simulate import Recording
from targets import Fault, InputError

MAX_ENERGY_ERROR = 1e-2
"""A simulation that loses or gains more than this part of the energy has gone wrong."""
LOSSES = ("source_J", "copper_J", "switch_J", "diode_J", "friction_J", "iron_J", "load_J")
"""Where energy goes for good, fields of PLANT_STATE."""


def _magnetic_J(p: Record, s: Record) -> float:
    """Energy in the three coils; `inductance_H` is a third of a delta's."""
    coils_A, coil_H = np.array(s["i_A"]), p["inductance_H"]
    if p["delta"]:
        coils_A = (coils_A - np.roll(coils_A, -1)) / 3.0 + s["round_A"]
        coil_H = 3.0 * coil_H
    return float(0.5 * coil_H * np.sum((1.0 + p["more_H_part"]) * coils_A**2))


def stored_J(recording: Recording) -> float:
    """Energy in rotor, inductances, detents and bulk capacitor at the end of the run, above that of its
    start."""
    s, p = recording.state, recording.plant
    kinetic = 0.5 * p["inertia_kg_m2"] * s["omega_rad_s"] ** 2
    return float(kinetic + _magnetic_J(p, s) + s["cogging_J"] + _charged_J(p, s))


def _charged_J(p: Record, s: Record) -> float:
    """Energy in the bulk capacitor, which only a supply with a resistance has, above that of its start."""
    if p["supply_ohm"] <= 0.0:
        return 0.0
    bus_V = p["supply_V"] - s["sag_V"]
    return float(0.5 * p["bulk_F"] * (bus_V**2 - p["supply_V"] ** 2))


def energy_balance_error(recording: Recording) -> float:
    """Energy that is not accounted for, over the energy that passed through (supply in, or losses where the
    supply got some back)."""
    s = recording.state
    losses = sum(float(s[name]) for name in LOSSES)
    unaccounted = float(s["supply_J"]) - losses - stored_J(recording)
    return float(abs(unaccounted) / max(abs(s["supply_J"]), losses, 1e-30))


def trusted_energy_error(recording: Recording) -> float:
    """`energy_balance_error` of a run that can be trusted.

    Raises:
        InputError: energy appeared or vanished in the simulation; its numbers are not to be trusted.
    """
    error = energy_balance_error(recording)
    if error > MAX_ENERGY_ERROR:
        raise InputError([_not_to_be_trusted(error)])
    return error


def _not_to_be_trusted(error: float) -> Fault:
    """The fault of a run that did not keep its energy."""
    return Fault(
        place="simulation",
        rule=f"must keep its energy to {MAX_ENERGY_ERROR:.1%}",
        found=f"{error:.1%} unaccounted for",
        remedy="lower numerics.max_segment_s, and check the motor's values for slips of a unit",
    )
