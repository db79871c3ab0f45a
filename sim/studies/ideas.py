"""What a builder may change, as physics: each idea maps to keys of the scenario, with formula, source and
range.

The scenario knows constants, not shapes; what an idea needs to know of the motor's shape stands in
`Geometry`. Where no formula exists and only a guess is possible, the guess is a field of `Geometry` too, its
idea says `is_guess`, and the builder's own number replaces it.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from sim.design import Design, Override, Variant, apply_overrides
from targets import InputError

RECOIL = 1.05
"""Relative recoil permeability of sintered neodymium (manufacturers' sheets, from memory: 1.03 to 1.10)."""
STEINMETZ = 1.6
"""Exponent of hysteresis loss in the flux density (Steinmetz, Trans. AIEE 9, 1892, from memory)."""


@dataclass(frozen=True)
class Geometry:
    """Shape of the motor and size of the changes. Lengths in m, factors over what there is.

    `gap_m` is the whole magnetic gap, copper and board included. `core_...`: guesses of what an iron core
    brings.
    """

    magnet_thickness_m: float = 2e-3
    gap_m: float = 1.5e-3
    ring_radius_m: float = 8e-3
    more_volts: float = 1.25
    remanence_factor: float = 1.11  # 1.30 T to 1.44 T, grades 42 to 52 (makers' sheets, from memory)
    thicker_magnet: float = 1.5
    smaller_gap: float = 0.7
    larger_rotor: float = 1.2
    bearing_away_m: float = 3e-3
    ceramic_drag: float = 0.2
    thicker_copper: float = 2.0
    more_layers: float = 2.0
    faster_pwm: float = 5.0
    core_ke: float = 2.0
    core_inductance: float = 5.0
    core_cogging: float = 0.1
    core_drag: float = 0.03


TYPICAL = Geometry()
"""A board motor of the size of a coin; our own figures, to be replaced."""
Change = dict[str, Override]


@dataclass(frozen=True)
class Idea:
    """One change a builder may make.

    `variant` holds the keys it changes; `formula`, `source`, `valid`: why by so much, who says so, and how
    far that holds. `is_guess`: no formula, the number is the builder's to give.
    """

    variant: Variant
    change: str
    formula: str
    source: str
    valid: str
    is_guess: bool


@dataclass(frozen=True)
class _Row:
    """An idea before it meets a design."""

    name: str
    change: str
    keys: Callable[[Design, Geometry], Change]
    formula: str
    source: str
    valid: str
    is_guess: bool = False


def scaled(design: Design, factors: Mapping[str, float]) -> Change:
    """Overrides that multiply keys; keys that the design leaves at nothing stay so."""
    changes: Change = {}
    for path, factor in factors.items():
        section, _, key = path.partition(".")
        if getattr(getattr(design, section), key):
            changes[path] = f"x{factor:.9g}"
    return changes


def _field(design: Design, factor: float) -> Change:
    """More or less flux through the winding: ke with it, cogging with its square, hysteresis with its power
    1.6, eddy currents with its square."""
    return scaled(
        design,
        {
            "motor.ke_V_s_per_rad": factor,
            "motor.cogging_Nm": factor**2,
            "motor.magnetic_drag_Nm": factor**STEINMETZ,
            "motor.eddy_drag_Nm_s_per_rad": factor**2,
        },
    )


def gap_flux(magnet_m: float, gap_m: float) -> float:
    """Flux density in the gap over the remanence: h / (h + mu_r g), one-dimensional, no leakage."""
    return magnet_m / (magnet_m + RECOIL * gap_m)


def _volts(design: Design, shape: Geometry) -> Change:
    return scaled(design, {"drive.supply_V": shape.more_volts})


def _grade(design: Design, shape: Geometry) -> Change:
    return _field(design, shape.remanence_factor)


def _thicker_magnet(design: Design, shape: Geometry) -> Change:
    thick_m = shape.thicker_magnet * shape.magnet_thickness_m
    flux = gap_flux(thick_m, shape.gap_m) / gap_flux(shape.magnet_thickness_m, shape.gap_m)
    return {**_field(design, flux), **scaled(design, {"motor.inertia_kg_m2": shape.thicker_magnet})}


def _gap(design: Design, shape: Geometry) -> Change:
    thick_m = shape.magnet_thickness_m
    return _field(design, gap_flux(thick_m, shape.smaller_gap * shape.gap_m) / gap_flux(thick_m, shape.gap_m))


def _rotor(design: Design, shape: Geometry) -> Change:
    by = shape.larger_rotor
    factors = {
        "motor.ke_V_s_per_rad": by**2, "motor.cogging_Nm": by**2, "motor.inertia_kg_m2": by**4,
        "motor.phase_inductance_H": by, "motor.windage_Nm_s2_per_rad2": by**5,
        "motor.magnetic_drag_Nm": by**2, "motor.eddy_drag_Nm_s_per_rad": by**4,
    }  # fmt: skip
    return scaled(design, factors)


def _connection(design: Design, _shape: Geometry) -> Change:
    return {"motor.connection": "wye" if design.motor.connection == "delta" else "delta"}


def _ceramic(design: Design, shape: Geometry) -> Change:
    return scaled(design, {"motor.magnetic_drag_Nm": shape.ceramic_drag})


def _bearing_away(design: Design, shape: Geometry) -> Change:
    field = math.exp(-design.motor.pole_pairs * shape.bearing_away_m / shape.ring_radius_m)
    return scaled(
        design,
        {"motor.magnetic_drag_Nm": field**STEINMETZ, "motor.eddy_drag_Nm_s_per_rad": field**2},
    )


def _core(design: Design, shape: Geometry) -> Change:
    motor, drive = design.motor, design.drive
    stall_Nm = motor.ke_V_s_per_rad * shape.core_ke * drive.supply_V / motor.phase_resistance_ohm
    return {
        **scaled(
            design,
            {
                "motor.ke_V_s_per_rad": shape.core_ke,
                "motor.phase_inductance_H": shape.core_inductance,
            },
        ),
        "motor.cogging_Nm": shape.core_cogging * stall_Nm,
        "motor.magnetic_drag_Nm": motor.magnetic_drag_Nm + shape.core_drag * stall_Nm,
    }


def _copper(design: Design, shape: Geometry) -> Change:
    return scaled(design, {"motor.phase_resistance_ohm": 1.0 / shape.thicker_copper})


def _pwm(design: Design, shape: Geometry) -> Change:
    return scaled(design, {"drive.pwm_Hz": shape.faster_pwm})


def _layers(design: Design, shape: Geometry) -> Change:
    turns = shape.more_layers
    factors = {
        "motor.ke_V_s_per_rad": turns, "motor.phase_resistance_ohm": turns,
        "motor.phase_inductance_H": turns**2,
    }  # fmt: skip
    return scaled(design, factors)


_GAP_SOURCE = "one-dimensional magnetic circuit (Hanselman; Krishnan, from memory)"
IDEAS = (
    _Row(
        "volts", "more supply voltage", _volts,
        "n0 = V / (2 ke), stall torque = 2 ke V / (2 R): both grow with V, heat at standstill with V^2",
        "terminal model of two phases in series (Hanselman; Krishnan, from memory)",
        "within the ratings of switches, capacitors and chip",
    ),
    _Row(
        "magnet grade", "magnets of more remanence", _grade,
        "ke ~ Br; cogging and eddy currents ~ Br^2, hysteresis ~ Br^1.6",
        f"{_GAP_SOURCE}; Steinmetz, Trans. AIEE 9, 1892 (from memory)",
        "no iron near saturation; stronger grades lose more when warm",
    ),
    _Row(
        "magnet size", "thicker magnets", _thicker_magnet,
        "B = Br h / (h + 1.05 g); inertia of the magnets ~ h, taken for the whole rotor's",
        _GAP_SOURCE,
        "gap small against the width of a pole; beyond h = 3 g hardly anything is gained",
    ),
    _Row(
        "air gap", "smaller air gap", _gap,
        "B = Br h / (h + 1.05 g)",
        _GAP_SOURCE,
        "gap small against the width of a pole; the gap includes copper and board",
    ),
    _Row(
        "rotor diameter", "larger rotor and coils", _rotor,
        "ke ~ r^2 (area of the coils), J ~ r^4 (ring of the same thickness), L ~ r, R unchanged (longer and "
        "wider tracks), windage ~ r^5, drag of hysteresis ~ r^2, of eddy currents ~ r^4",
        "derived by scaling all lengths in the plane; von Karman's disc for the windage (1921, from memory)",
        "same thicknesses, same number of turns, laminar air",
    ),
    _Row(
        "connection", "delta instead of wye (or back)", _connection,
        "between terminals 2/3 R instead of 2 R; a sine's back-EMF falls by sqrt 3, current and heat rise; "
        "trapezoids send a current round in the delta",
        "star-delta transformation (Kennelly 1899, from memory); simulated with three branch currents",
        "exact, coils unchanged; Hall sensors set anew",
    ),
    _Row(
        "ceramic bearing", "ceramic instead of steel balls and races", _ceramic,
        "no formula: hysteresis of the bearing's steel goes, that of other steel stays",
        "common practice, no source",
        "only where a steel bearing sits in the magnets' field; measure the drag by coasting down",
        is_guess=True,
    ),
    _Row(
        "bearing away", "bearing further from the magnets", _bearing_away,
        "field ~ exp(-p z / r) beyond the ring; hysteresis ~ B^1.6, eddy currents ~ B^2",
        "Laplace's equation for a field of p periods round the ring; Steinmetz 1892 (both from memory)",
        "all drag comes from the bearing; z measured along the axis from the magnets' face",
    ),
    _Row(
        "iron core", "coils on an iron core", _core,
        "no formula without the core's shape: ke and L rise, cogging and hysteresis appear (parts of the new "
        "stall torque)",
        "common practice, no source",
        "order of magnitude only; replace by measured cogging and coast-down",
        is_guess=True,
    ),
    _Row(
        "copper", "thicker copper", _copper,
        "R ~ 1 / thickness",
        "Ohm's law",
        "current spreads evenly: thickness below the skin depth (0.3 mm at 50 kHz)",
    ),
    _Row(
        "layers", "more layers, all in series", _layers,
        "N turns: ke ~ N, R ~ N, L ~ N^2",
        "Faraday's law",
        "the gap must take the layers (see air gap); coils fully coupled",
    ),
    _Row(
        "PWM frequency", "faster PWM", _pwm,
        "ripple of the current V D (1 - D) / (f L), D the duty: ~ 1/f, its heat ~ 1/f^2; none at full duty",
        "derived from V = L di/dt over one period",
        "period short against L / R (the ripple of longer ones ends at V / R); switches, whose losses grow "
        "with f and are not simulated, and dead time allow it; fewer steps of the duty",
    ),
)  # fmt: skip
"""All ideas, in the order of how easily they are tried."""


@dataclass(frozen=True)
class LeftOut:
    """An idea that does not apply to a design, and why."""

    name: str
    reason: str


def ideas(design: Design, shape: Geometry = TYPICAL) -> list[Idea]:
    """The ideas that change anything about a design.

    Args:
        design: the design they start from.
        shape: geometry of the motor and size of the changes.
    """
    return [
        Idea(
            Variant(row.name, row.keys(design, shape)),
            row.change,
            row.formula,
            row.source,
            row.valid,
            row.is_guess,
        )
        for row in IDEAS
        if not _objection(design, row, shape)
    ]


def left_out(design: Design, shape: Geometry = TYPICAL) -> list[LeftOut]:
    """The other ideas, each with what stands against it; the arguments are those of `ideas`."""
    objections = ((row.name, _objection(design, row, shape)) for row in IDEAS)
    return [LeftOut(name, reason) for name, reason in objections if reason]


def _objection(design: Design, row: _Row, shape: Geometry) -> str:
    """Why an idea does not apply to a design; empty where it does."""
    changes = row.keys(design, shape)
    if not changes:
        return "everything that it would change is 0 in this design"
    try:
        apply_overrides(design, changes, source="")
    except InputError as refused:
        return str(refused.faults[0])
    return ""
