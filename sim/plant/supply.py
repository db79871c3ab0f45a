"""Supply behind the bridge: source, internal resistance, bulk capacitor; and a battery that sags.

    C dV/dt = (E - V) / R - I        E = E0 - fade * charge drawn - U        tau dU/dt = R_sag I_source - U

V: voltage at the bridge. E: what the source would give without R; U: the slow polarisation of a battery
(one RC link, the first-order Thevenin model; common practice, no source). Without R the supply is stiff:
V = E0. E0 changes by steps only (a dip and its end), between two segments; the source takes current
back, too. Over a segment V is held at its predicted middle, and then advanced by the charge that the
bridge took, with E at its predicted middle, too: second order, and charge is kept exactly.
"""

import math

from controllers.jit import kernel
from sim.plant.present import bus_V
from sim.plant.records import HIGH, Record


@kernel
def source_V(p: Record, s: Record) -> float:
    """E: the supply's voltage without a load."""
    return p.supply_V - s.drop_V - p.fade_V_per_As * s.drawn_A_s - s.polarised_V


@kernel
def supply_step_s(p: Record, s: Record) -> float:
    """Take the supply's steps that are due; returns when the next one is."""
    while s.supply_steps_taken < p.supply_steps and p.supply_step_s[s.supply_steps_taken] <= s.t_s:
        s.drop_V = p.supply_drop_V[s.supply_steps_taken]
        s.supply_steps_taken += 1
        if p.supply_ohm <= 0.0:
            s.sag_V = s.drop_V
            s.deepest_sag_V = max(s.deepest_sag_V, s.sag_V)
    return p.supply_step_s[s.supply_steps_taken] if s.supply_steps_taken < p.supply_steps else math.inf


@kernel
def _source_slope_V_per_s(p: Record, s: Record) -> float:
    """Rate at which E changes at the present current."""
    through_A = (source_V(p, s) - bus_V(p, s)) / p.supply_ohm
    slope = -p.fade_V_per_As * through_A
    if p.sag_s > 0.0:
        slope -= (p.sag_ohm * through_A - s.polarised_V) / p.sag_s
    return slope


@kernel
def _on_upper_rail(s: Record, k: int) -> bool:
    """Whether terminal `k` conducts to the upper rail."""
    return bool(s.leg[k] == HIGH or s.diode[k] == HIGH)


@kernel
def bus_slope_V_per_s(p: Record, s: Record) -> float:
    """Rate at which the voltage at the bridge changes at the present currents; 0 for a stiff supply."""
    if p.supply_ohm <= 0.0:
        return 0.0
    drawn_A = 0.0
    for k in range(3):
        if _on_upper_rail(s, k):
            drawn_A += s.i_A[k]
    return ((source_V(p, s) - bus_V(p, s)) / p.supply_ohm - drawn_A) / p.bulk_F


@kernel
def book_supply(p: Record, s: Record, w: Record) -> None:
    """Take the charge of the segment `w` from the supply."""
    charge = 0.0
    for k in range(3):
        if w.conducts[k] and _on_upper_rail(s, k):
            charge += w.charge_A_s[k]
    if p.supply_ohm <= 0.0:
        s.supply_J += w.bus_V * charge
    elif w.h_s > 0.0:
        _advance_bus(p, s, w.h_s, charge)


@kernel
def _advance_bus(p: Record, s: Record, h_s: float, charge_A_s: float) -> None:
    """Advance capacitor, charge drawn and polarisation over a segment, the bridge's current taken at its
    mean, E at its predicted middle."""
    source, before = source_V(p, s) + 0.5 * h_s * _source_slope_V_per_s(p, s), bus_V(p, s)
    final = source - p.supply_ohm * charge_A_s / h_s
    after = final + (before - final) * math.exp(-h_s / (p.supply_ohm * p.bulk_F))
    through = charge_A_s + p.bulk_F * (after - before)
    s.supply_J += source * through
    s.source_J += (source - 0.5 * (before + after)) * through
    s.drawn_A_s += through
    if p.sag_s > 0.0:
        part = h_s / p.sag_s
        toward = p.sag_ohm * through / h_s - s.polarised_V
        s.polarised_V += toward * part / (1.0 + 0.5 * part)
    s.sag_V = p.supply_V - after
    s.deepest_sag_V = max(s.deepest_sag_V, s.sag_V)
