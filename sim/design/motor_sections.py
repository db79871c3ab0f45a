"""Sections of the scenario about the motor itself: what it is, and how warm it gets."""

from __future__ import annotations

from typing import Literal

from sim.design.key import declare
from sim.design.section import Section


class Motor(Section):
    """The motor: electrical and magnetic constants, rotor, friction."""

    pole_pairs: int = declare("pole pairs of the rotor magnet", ge=1, le=50, example=2)
    phase_resistance_ohm: float = declare(
        "resistance of one coil at 20 C (half of what a meter shows between two leads of a wye)",
        "ohm",
        ge=0.001,
        le=1000,
        example=1.75,
    )
    phase_inductance_H: float = declare(
        "inductance of one coil, self minus mutual (half of what a meter shows between two leads of a wye)",
        "H",
        ge=1e-8,
        le=1,
        example=12.5e-6,
    )
    ke_V_s_per_rad: float = declare(
        "peak of one coil's back-EMF per mechanical speed, magnets at 20 C (flat top of a trapezoid; in "
        "Nm/A: half of the torque per ampere of a wye)",
        "V s/rad",
        ge=1e-7,
        le=10,
        example=3.5e-4,
    )
    inertia_kg_m2: float = declare("inertia of the rotor", "kg m2", ge=1e-12, le=1, example=3e-7)
    coulomb_Nm: float = declare(
        "bearing friction that does not depend on speed", "Nm", ge=0, le=10, example=5e-6
    )
    stiction_Nm: float = declare(
        "friction that holds the rotor at rest, at least coulomb_Nm",
        "Nm",
        ge=0,
        le=10,
        example=8e-6,
        default_text="coulomb_Nm",
        # An error elsewhere in the section can leave coulomb_Nm out; the section is refused then anyway.
        default_factory=lambda section: section.get("coulomb_Nm", 0.0),
    )
    viscous_Nm_s_per_rad: float = declare(
        "friction proportional to speed", "Nm s/rad", default=0.0, ge=0, le=1, example=2e-9
    )
    windage_Nm_s2_per_rad2: float = declare(
        "air friction of the bare rotor, proportional to speed squared",
        "Nm s2/rad2",
        default=0.0,
        ge=0,
        le=1,
        example=5e-12,
    )
    magnetic_drag_Nm: float = declare(
        "drag of the magnets on iron near them (hysteresis; a steel bearing, a screw); holds at rest, too",
        "Nm",
        default=0.0,
        ge=0,
        le=10,
        example=2e-6,
    )
    eddy_drag_Nm_s_per_rad: float = declare(
        "drag of eddy currents that the magnets raise in metal, proportional to speed",
        "Nm s/rad",
        default=0.0,
        ge=0,
        le=1,
        example=1e-9,
    )
    cogging_Nm: float = declare(
        "largest torque by which the magnets hold to the teeth of a core; none without a core",
        "Nm",
        default=0.0,
        ge=0,
        le=10,
        example=5e-6,
    )
    cogging_periods_per_turn: int = declare(
        "detents in one turn of the shaft (least common multiple of teeth and magnet poles)",
        default=12,
        ge=1,
        le=2000,
    )
    cogging_phase_deg: float = declare(
        "electrical angle at which a detent lies, in the count of start_angle_deg",
        "deg",
        default=0.0,
        ge=0,
        le=360,
    )
    start_angle_deg: float = declare(
        "electrical angle at which the rotor rests before the start", "deg", default=0.0, ge=0, le=360
    )
    connection: Literal["wye", "delta"] = declare(
        "how the three coils are joined; resistance, inductance and back-EMF above are always those of one "
        "coil (between two leads a delta shows 2/3 of its resistance and inductance)",
        default="wye",
    )
    back_emf: Literal["trapezoid", "sine", "measured"] = declare(
        "waveform of a coil's back-EMF: flat over 120 degrees, a sine, or the one in back_emf_file; "
        "ke_V_s_per_rad is its peak",
        default="trapezoid",
        example="measured",
    )
    back_emf_file: str | None = declare(
        "CSV file of a measured back-EMF, beside the scenario: electrical degrees after the rising zero "
        "crossing, volts",
        default=None,
        example="waveform.csv",
        min_length=1,
        max_length=4096,
        default_text="no file",
    )
    ke_imbalance_b_percent: float = declare(
        "how much larger the back-EMF of coil B is than that of coil A", "%", default=0.0, ge=-50, le=50
    )
    ke_imbalance_c_percent: float = declare(
        "how much larger the back-EMF of coil C is than that of coil A", "%", default=0.0, ge=-50, le=50
    )
    resistance_imbalance_b_percent: float = declare(
        "how much larger the resistance of coil B is than that of coil A (a bad via, thinner copper)",
        "%",
        default=0.0,
        ge=-50,
        le=100,
    )
    resistance_imbalance_c_percent: float = declare(
        "how much larger the resistance of coil C is than that of coil A", "%", default=0.0, ge=-50, le=100
    )
    inductance_imbalance_b_percent: float = declare(
        "how much larger the inductance of coil B is than that of coil A", "%", default=0.0, ge=-50, le=100
    )
    inductance_imbalance_c_percent: float = declare(
        "how much larger the inductance of coil C is than that of coil A", "%", default=0.0, ge=-50, le=100
    )


THERMAL_MODEL = (
    "winding_to_board_K_per_W",
    "board_to_ambient_K_per_W",
    "winding_J_per_K",
    "board_J_per_K",
)
"""The keys of [thermal] without which nothing warms up; all are given or none."""


class Thermal(Section):
    """Temperatures: without the numbers of THERMAL_MODEL everything stays at ambient."""

    ambient_C: float = declare("temperature of the air around", "C", default=20.0, ge=-40, le=125)
    winding_to_board_K_per_W: float | None = declare(
        "thermal resistance from the copper to the board or housing it sits in",
        "K/W",
        default=None,
        ge=0.01,
        le=1e4,
        example=10.0,
        default_text="nothing warms up",
    )
    board_to_ambient_K_per_W: float | None = declare(
        "thermal resistance from board or housing to the air",
        "K/W",
        default=None,
        ge=0.01,
        le=1e4,
        example=30.0,
        default_text="nothing warms up",
    )
    winding_J_per_K: float | None = declare(
        "heat that warms the copper by one kelvin (0.39 J/K for each gram)",
        "J/K",
        default=None,
        ge=1e-4,
        le=1e5,
        example=1.0,
        default_text="nothing warms up",
    )
    board_J_per_K: float | None = declare(
        "heat that warms board or housing by one kelvin (about 1 J/K for each gram of board)",
        "J/K",
        default=None,
        ge=1e-4,
        le=1e5,
        example=10.0,
        default_text="nothing warms up",
    )
    winding_limit_C: float = declare(
        "temperature the winding may reach; the verdict is not met above it",
        "C",
        default=120.0,
        ge=20,
        le=300,
    )
    judged: Literal["continuous", "run"] = declare(
        "which temperature the limit applies to: the one the settled current ends at if it goes on, or the "
        "highest of the run",
        default="continuous",
    )
    copper_per_K: float = declare(
        "growth of the resistance for each kelvin above 20 C, of its value at 20 C (IEC 60028: 0.00393)",
        "1/K",
        default=0.00393,
        ge=0,
        le=0.01,
    )
    magnet_per_K: float = declare(
        "change of the back-EMF for each kelvin above 20 C; magnets are taken to be as warm as the board "
        "(sintered neodymium about -0.001, ferrite about -0.002)",
        "1/K",
        default=0.0,
        ge=-0.01,
        le=0,
        example=-0.001,
    )

    @property
    def is_modelled(self) -> bool:
        """Whether anything warms up."""
        return self.winding_to_board_K_per_W is not None
