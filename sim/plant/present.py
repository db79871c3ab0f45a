"""The motor's constants as they are at the moment: what warms up, drifts or sags is added to `PLANT`'s
values."""

from controllers.jit import kernel
from sim.plant.records import Record


@kernel
def ke_V_s_per_rad(p: Record, s: Record) -> float:
    """Flat-top back-EMF of a phase per speed, with the magnets at their temperature."""
    return p.ke_V_s_per_rad + s.ke_drift_V_s_per_rad


@kernel
def winding_ohm(p: Record, s: Record) -> float:
    """Resistance of a phase with the copper at its temperature."""
    return p.resistance_ohm + s.warm_ohm


@kernel
def path_ohm(p: Record, s: Record) -> float:
    """Resistance of a phase and of the switch or diode behind it."""
    return p.resistance_ohm + s.warm_ohm + p.switch_ohm


@kernel
def bus_V(p: Record, s: Record) -> float:
    """Voltage at the bridge."""
    return p.supply_V - s.sag_V
