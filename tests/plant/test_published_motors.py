"""The plant against the printed rows of motor datasheets.

Datasheet values as others quote them, not seen in print here. A, coreless, order no. 118743: README of the
project "Phantom Hardware" (mahilab). B, coreless, 48 V: comment block of a datasheet parser (Pezent, 2016).
C and D, one brushless frame in two windings, and E, flat, with Hall sensors, order no. 339260: parameter
scripts in public code. G1 to G4, an 8 mm coreless motor in four windings, 0816K:
zhongshanjiudian.com/qtgyzdhsb/2-929403.html.

Values are those of two terminals: R_tt = 2 R, L_tt = 2 L, Ke_tt = 2 Ke of a wye (Hanselman; Krishnan, from
memory). The number of pole pairs is not printed; the terminal model does not depend on it, and one is
taken.
"""

import math
from dataclasses import dataclass

import pytest

from tests.plant.harness import IDEAL, RAD_S_PER_RPM, Drive, HELD_Nm, plant, run, state


@dataclass(frozen=True)
class Row:
    """One printed row; the current without load is taken as friction altogether."""

    supply_V: float
    no_load_rpm: float
    no_load_mA: float
    stall_mNm: float
    ohm: float
    mH: float
    kt_mNm_per_A: float
    tau_m_ms: float
    inertia_gcm2: float
    gradient_rpm_per_mNm: float
    stall_less_friction: bool = False

    @property
    def friction_Nm(self) -> float:
        """The torque of the current without load."""
        return self.kt_mNm_per_A * self.no_load_mA * 1e-6

    def motor(self) -> dict[str, float]:
        """PLANT values: half of each terminal value per phase, ideal switches."""
        return {
            "pole_pairs": 1, "resistance_ohm": self.ohm / 2.0, "switch_ohm": 0.0,
            "inductance_H": self.mH * 1e-3 / 2.0, "ke_V_s_per_rad": self.kt_mNm_per_A * 1e-3 / 2.0,
            "inertia_kg_m2": self.inertia_gcm2 * 1e-7, "supply_V": self.supply_V,
        }  # fmt: skip


ROWS = {
    "A": Row(12, 4860, 26.3, 129, 2.18, 0.238, 23.4, 4.25, 10.3, 37.7),
    "B": Row(48, 8490, 78.6, 1050, 2.45, 0.513, 53.8, 2.94, 34.7, 8.09),
    "C": Row(12, 12300, 629, 432, 0.248, 0.109, 8.95, 3.26, 10.5, 29.6),
    "D": Row(24, 13100, 347, 773, 0.524, 0.390, 16.9, 1.93, 10.5, 17.5),
    "E": Row(12, 7970, 75.6, 15.7, 10.1, 2.04, 13.2, 80.3, 13.9, 551.0),
    "G1": Row(3, 13250, 16, 1.15, 5.4, 0.053, 2.11, 6.1, 0.051, 11475.0, True),
    "G2": Row(6, 13500, 8.3, 1.13, 21.2, 0.217, 4.12, 6.5, 0.052, 11904.0, True),
    "G3": Row(9, 13500, 5.7, 1.15, 47, 0.507, 6.19, 6.2, 0.051, 11714.0, True),
    "G4": Row(12, 12600, 3.9, 1.0, 101.8, 1.033, 8.8, 6.5, 0.049, 12553.0, True),
}
WITHIN = 0.02
"""What the simulation owes a sheet that agrees with itself: values are printed with two to three figures."""
CONTRADICTIONS = {
    # kn (U - I0 R) of the same sheet is 3.0 and 2.7 % above: the motor is slotted, and its maker's no-load
    # speed holds the iron loss that grows with speed, which I0 R does not.
    ("C", "no_load_rpm"), ("D", "no_load_rpm"),
    # R J / kt^2 of the same sheet is 4.10 ms; 4.25 ms are printed.
    ("A", "tau_m_ms"),
}  # fmt: skip
"""Lines of a sheet that its other lines contradict by more than that."""


def from_the_other_lines(row: Row) -> dict[str, float]:
    """The makers' own relations (key information page of one of them, May 2009, as quoted)."""
    kt_Nm_per_A = row.kt_mNm_per_A * 1e-3
    stall_Nm = kt_Nm_per_A * row.supply_V / row.ohm - row.stall_less_friction * row.friction_Nm
    return {
        "no_load_rpm": (row.supply_V - row.no_load_mA * 1e-3 * row.ohm) / kt_Nm_per_A / RAD_S_PER_RPM,
        "stall_mNm": stall_Nm * 1e3,
        "tau_m_ms": row.ohm * row.inertia_gcm2 * 1e-7 / kt_Nm_per_A**2 * 1e3,
        "gradient_rpm_per_mNm": 30.0 * row.ohm / (math.pi * kt_Nm_per_A**2) * 1e-3,
    }


def sheet(name: str, line: str) -> float:
    """The printed value, or what the other lines of the sheet say where they contradict it."""
    row = ROWS[name]
    return from_the_other_lines(row)[line] if (name, line) in CONTRADICTIONS else float(getattr(row, line))


def test_the_contradictions_are_those_of_the_sheets() -> None:
    """These lines, and no others, differ by more than 2 % from the rest of their sheet."""
    found = {
        (name, line)
        for name, row in ROWS.items()
        for line, value in from_the_other_lines(row).items()
        if abs(value / float(getattr(row, line)) - 1.0) > WITHIN
    }
    assert found == CONTRADICTIONS


@pytest.mark.parametrize("name", ROWS)
def test_it_runs_unloaded_at_the_printed_speed(name: str) -> None:
    row = ROWS[name]
    p = plant(**row.motor(), coulomb_Nm=row.friction_Nm, stiction_Nm=row.friction_Nm)
    omega = run(p, state(), IDEAL, 12.0 * row.tau_m_ms * 1e-3)[0, 1]
    assert omega / RAD_S_PER_RPM == pytest.approx(sheet(name, "no_load_rpm"), rel=WITHIN)


@pytest.mark.parametrize("name", ROWS)
def test_a_held_rotor_gives_the_printed_torque(name: str) -> None:
    row = ROWS[name]
    samples = run(plant(**row.motor(), stiction_Nm=HELD_Nm), state(), Drive(step=0), 1.0)
    torque_Nm = row.kt_mNm_per_A * 1e-3 * samples[0, 3]
    taken_off = row.friction_Nm if row.stall_less_friction else 0.0
    assert torque_Nm - taken_off == pytest.approx(sheet(name, "stall_mNm") * 1e-3, rel=WITHIN)


@pytest.mark.parametrize("name", ROWS)
def test_it_starts_with_the_printed_time_constant(name: str) -> None:
    row = ROWS[name]
    at_s = row.tau_m_ms * 1e-3
    # The makers' constant leaves the inductance out: a thousandth of it here.
    p = plant(**{**row.motor(), "inductance_H": row.mH * 1e-6 / 2.0})
    final = row.supply_V / (row.kt_mNm_per_A * 1e-3)
    left = 1.0 - run(p, state(), IDEAL, at_s)[0, 1] / final
    assert -at_s / math.log(left) == pytest.approx(sheet(name, "tau_m_ms") * 1e-3, rel=WITHIN)


@pytest.mark.parametrize("name", ROWS)
def test_unloaded_it_draws_the_printed_current(name: str) -> None:
    row = ROWS[name]
    p = plant(**row.motor(), coulomb_Nm=row.friction_Nm, stiction_Nm=row.friction_Nm)
    s = state()
    settled_s = 12.0 * row.tau_m_ms * 1e-3
    run(p, s, IDEAL, settled_s)
    before_J = float(s["supply_J"])
    run(p, s, IDEAL, 1.5 * settled_s)
    current_A = (float(s["supply_J"]) - before_J) / (0.5 * settled_s * row.supply_V)
    # Torque over kt, as the friction was taken from it: what commutation of the inductance adds.
    assert current_A == pytest.approx(row.no_load_mA * 1e-3, rel=WITHIN)


@pytest.mark.parametrize("name", ROWS)
def test_a_brake_slows_it_by_the_printed_gradient(name: str) -> None:
    row = ROWS[name]
    settled_s = 12.0 * row.tau_m_ms * 1e-3
    # A tenth of the stall torque; the makers' gradient leaves the inductance out: a thousandth of it here.
    brake_Nm = 0.1 * row.stall_mNm * 1e-3
    motor = {**row.motor(), "inductance_H": row.mH * 1e-6 / 2.0}
    free = run(plant(**motor), state(), IDEAL, settled_s)[0, 1]
    braked_p = plant(**motor, load_steps=1, load_step_s=[0.0], load_step_Nm=[brake_Nm])
    braked = run(braked_p, state(), IDEAL, settled_s)[0, 1]
    gradient = (free - braked) / RAD_S_PER_RPM / (brake_Nm * 1e3)
    assert gradient == pytest.approx(sheet(name, "gradient_rpm_per_mNm"), rel=WITHIN)
