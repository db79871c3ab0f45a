"""Sections of the scenario about what is around the motor: drive, Hall sensors, load."""

from __future__ import annotations

from typing import Literal

from sim.design.key import declare
from sim.design.section import Section


class SupplyStep(Section):
    """One element of `drive.supply_steps`."""

    at_s: float = declare("time from which the voltage holds", "s", ge=1e-6, le=60)
    supply_percent: float = declare("voltage from then on, as a part of supply_V", "%", ge=5, le=200)


class Drive(Section):
    """The power stage: supply, switches, PWM."""

    supply_V: float = declare("supply voltage without a load", "V", ge=0.5, le=60, example=5.0)
    supply_steps: tuple[SupplyStep, ...] = declare(
        "voltages of the supply from given times on, such as a dip and its end (at most 16); the "
        "microcontroller is taken to run on",
        default=(),
        strict=False,  # TOML has lists, not tuples
        example=[{"at_s": 1.5, "supply_percent": 40.0}, {"at_s": 1.6, "supply_percent": 100.0}],
    )
    switch_on_resistance_ohm: float = declare(
        "resistance of one closed switch; a current passes two of them", "ohm", ge=0, le=100, example=0.1
    )
    diode_drop_V: float = declare("forward voltage of one freewheel diode", "V", default=0.7, ge=0, le=5)
    pwm_Hz: float = declare("switching frequency of the duty", "Hz", default=20000.0, ge=1e3, le=2e5)
    pwm_mode: Literal["high_side", "low_side", "complementary"] = declare(
        "what chops: the high-side switch (the diode below freewheels), the low-side switch (the diode above "
        "does), or both switches of the high leg in turn",
        default="high_side",
    )
    dead_time_s: float = declare(
        "time for which both switches of a leg are off when it changes rails",
        "s",
        default=0.0,
        ge=0,
        le=1e-4,
        example=5e-7,
    )
    over_current_trip_A: float | None = declare(
        "current of the driven leg at which a comparator switches off until the next PWM period",
        "A",
        default=None,
        ge=0.001,
        le=1000,
        example=10.0,
        default_text="no comparator",
    )
    supply_resistance_ohm: float = declare(
        "resistance of source and leads in front of the bulk capacitor; 0 is a stiff supply",
        "ohm",
        default=0.0,
        ge=0,
        le=100,
        example=0.2,
    )
    bulk_capacitance_F: float = declare(
        "capacitor across the bridge, used where the supply has a resistance (R C at least 1 us)",
        "F",
        default=1e-4,
        ge=1e-7,
        le=1,
    )
    battery_sag_ohm: float = declare(
        "further resistance of a battery that builds up over battery_sag_time_s of load",
        "ohm",
        default=0.0,
        ge=0,
        le=100,
        example=0.1,
    )
    battery_sag_time_s: float = declare(
        "time constant with which the battery sags and recovers", "s", default=10.0, ge=0.01, le=1e4
    )
    battery_fade_V_per_As: float = declare(
        "fall of the battery's voltage for each ampere-second taken out of it",
        "V/As",
        default=0.0,
        ge=0,
        le=10,
        example=0.001,
    )

    @property
    def last_supply_V(self) -> float:
        """Voltage without a load after the last step."""
        percent = self.supply_steps[-1].supply_percent if self.supply_steps else 100.0
        return self.supply_V * percent / 100.0


ALL_SENSORS = 3
"""One for each phase; any law is written for one or for all."""


class Hall(Section):
    """The Hall sensor, or three of them 120 electrical degrees apart."""

    sensors: int = declare(
        "number of sensors, 1 or 3; hw.hall() is then a number of one bit or of three (1 for the first)",
        default=1,
        ge=1,
        le=3,
        example=3,
    )
    edges: Literal["rising", "both"] = declare("edges that the capture unit takes", default="rising")
    placement_error_deg: float = declare(
        "electrical angle by which the sensors are off their place; positive: their edges come late",
        "deg",
        default=0.0,
        ge=-60,
        le=60,
    )
    second_error_deg: float = declare(
        "electrical angle by which the second of three sensors is off besides",
        "deg",
        default=0.0,
        ge=-25,
        le=25,
    )
    third_error_deg: float = declare(
        "electrical angle by which the third of three sensors is off besides",
        "deg",
        default=0.0,
        ge=-25,
        le=25,
    )
    pole_width_error_deg: float = declare(
        "electrical angle by which north poles are wider than 180 degrees and south poles narrower",
        "deg",
        default=0.0,
        ge=-40,
        le=40,
    )
    hysteresis_deg: float = declare(
        "electrical angle between switching on and switching off", "deg", default=4.0, ge=0, le=30
    )
    delay_s: float = declare(
        "time from the magnet's edge to the output's", "s", default=0.0, ge=0, le=1e-3, example=3e-6
    )
    jitter_s: float = declare(
        "random further delay of an edge, evenly spread from 0 to this", "s", default=0.0, ge=0, le=1e-3,
        example=1e-6,
    )  # fmt: skip
    glitches_per_s: float = declare(
        "false pulses on the output, at random times (noise of the supply)", "1/s", default=0.0, ge=0, le=1e5,
        example=20.0,
    )  # fmt: skip
    glitch_time_s: float = declare("length of a false pulse", "s", default=5e-7, ge=1e-8, le=1e-3)

    @property
    def edges_per_turn(self) -> int:
        """Edges that are captured in an electrical turn."""
        return self.sensors * (2 if self.edges == "both" else 1)


class LoadStep(Section):
    """One element of `load.torque_steps`."""

    at_s: float = declare("time from which the torque acts", "s", ge=0, le=60)
    torque_Nm: float = declare("torque from then on", "Nm", ge=0, le=100)


class LoadPoint(Section):
    """One element of `load.torque_table`."""

    speed_rpm: float = declare("speed", "rpm", ge=0, le=1e6)
    torque_Nm: float = declare("torque that the load takes at that speed", "Nm", ge=0, le=100)


class Load(Section):
    """What the motor turns."""

    fan_torque_Nm: float | None = declare(
        "torque of a fan at fan_speed_rpm; grows with the square of speed",
        "Nm",
        default=None,
        ge=1e-9,
        le=100,
        example=60e-6,
        default_text="no fan",
    )
    fan_speed_rpm: float | None = declare(
        "speed at which the fan takes fan_torque_Nm",
        "rpm",
        default=None,
        ge=1,
        le=1e6,
        example=10000.0,
        default_text="no fan",
    )
    propeller_diameter_m: float | None = declare(
        "diameter of a propeller", "m", default=None, ge=0.005, le=5, example=0.1, default_text="no propeller"
    )
    propeller_power_coefficient: float | None = declare(
        "power coefficient of the propeller in still air, P / (air density n^3 D^5), n in turns "
        "per second (measured ones of small propellers lie between 0.02 and 0.1)",
        default=None,
        ge=0.001,
        le=1,
        example=0.04,
        default_text="no propeller",
    )
    air_density_kg_per_m3: float = declare(
        "density of the air that the propeller turns in", "kg/m3", default=1.225, ge=0.01, le=10
    )
    constant_torque_Nm: float = declare(
        "torque of a brake, the same at any speed; it holds at rest and never drives",
        "Nm",
        default=0.0,
        ge=0,
        le=100,
        example=1e-5,
    )
    torque_steps: tuple[LoadStep, ...] = declare(
        "torques of the brake from given times on, instead of the constant one (at most 15)",
        default=(),
        strict=False,  # TOML has lists, not tuples
        example=[{"at_s": 1.5, "torque_Nm": 2e-5}],
    )
    torque_table: tuple[LoadPoint, ...] = declare(
        "measured load, rows of speed and torque (at most 16): straight lines between them, constant outside",
        default=(),
        strict=False,
        example=[{"speed_rpm": 0.0, "torque_Nm": 0.0}, {"speed_rpm": 9000.0, "torque_Nm": 1e-5}],
    )
    added_inertia_kg_m2: float = declare(
        "inertia of what sits on the shaft besides the rotor (a flywheel, a propeller)",
        "kg m2",
        default=0.0,
        ge=0,
        le=1,
        example=1e-7,
    )
    rotor: Literal["free", "locked"] = declare(
        "whether the shaft can turn at all; locked, the run shows the currents of a jammed motor",
        default="free",
    )

    @property
    def takes_power(self) -> bool:
        """Whether anything but the rotor's own friction takes power of a shaft that turns."""
        whole = (self.fan_torque_Nm, self.propeller_power_coefficient, self.constant_torque_Nm)
        steps = [step.torque_Nm for step in self.torque_steps]
        points = [point.torque_Nm for point in self.torque_table]
        return any((*whole, *steps, *points))
