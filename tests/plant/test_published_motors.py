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
    speed_tolerance: float
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


# Coreless rotors have no loss that grows with speed beyond I0: 1 %. The iron loss of slotted ones does: 4 %.
CORELESS, SLOTTED = 0.01, 0.04
ROWS = {
    "A": Row(12, 4860, 26.3, 129, 2.18, 0.238, 23.4, 4.25, 10.3, CORELESS),
    "B": Row(48, 8490, 78.6, 1050, 2.45, 0.513, 53.8, 2.94, 34.7, CORELESS),
    "C": Row(12, 12300, 629, 432, 0.248, 0.109, 8.95, 3.26, 10.5, SLOTTED),
    "D": Row(24, 13100, 347, 773, 0.524, 0.390, 16.9, 1.93, 10.5, SLOTTED),
    "E": Row(12, 7970, 75.6, 15.7, 10.1, 2.04, 13.2, 80.3, 13.9, SLOTTED),
    "G1": Row(3, 13250, 16, 1.15, 5.4, 0.053, 2.11, 6.1, 0.051, CORELESS, True),
    "G2": Row(6, 13500, 8.3, 1.13, 21.2, 0.217, 4.12, 6.5, 0.052, CORELESS, True),
    "G3": Row(9, 13500, 5.7, 1.15, 47, 0.507, 6.19, 6.2, 0.051, CORELESS, True),
    "G4": Row(12, 12600, 3.9, 1.0, 101.8, 1.033, 8.8, 6.5, 0.049, CORELESS, True),
}


@pytest.mark.parametrize("name", ROWS)
def test_it_runs_unloaded_at_the_printed_speed(name: str) -> None:
    row = ROWS[name]
    p = plant(**row.motor(), coulomb_Nm=row.friction_Nm, stiction_Nm=row.friction_Nm)
    omega = run(p, state(), IDEAL, 12.0 * row.tau_m_ms * 1e-3)[0, 1]
    assert omega / RAD_S_PER_RPM == pytest.approx(row.no_load_rpm, rel=row.speed_tolerance)


@pytest.mark.parametrize("name", ROWS)
def test_a_held_rotor_gives_the_printed_torque(name: str) -> None:
    row = ROWS[name]
    samples = run(plant(**row.motor(), stiction_Nm=HELD_Nm), state(), Drive(step=0), 1.0)
    torque_Nm = row.kt_mNm_per_A * 1e-3 * samples[0, 3]
    taken_off = row.friction_Nm if row.stall_less_friction else 0.0
    # kt, R and U are printed with two to three figures: G1 is off by 1.05 %, the others by less.
    assert torque_Nm - taken_off == pytest.approx(row.stall_mNm * 1e-3, rel=0.011)


@pytest.mark.parametrize("name", ROWS)
def test_it_starts_with_the_printed_time_constant(name: str) -> None:
    row = ROWS[name]
    at_s = row.tau_m_ms * 1e-3
    # The makers' constant leaves the inductance out: a thousandth of it here.
    p = plant(**{**row.motor(), "inductance_H": row.mH * 1e-6 / 2.0})
    final = row.supply_V / (row.kt_mNm_per_A * 1e-3)
    left = 1.0 - run(p, state(), IDEAL, at_s)[0, 1] / final
    # R J / kt^2 of the printed values is up to 3.5 % from the printed constant (A).
    assert -at_s / math.log(left) == pytest.approx(at_s, rel=0.04)


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
    assert current_A == pytest.approx(row.no_load_mA * 1e-3, rel=0.02)


# Printed gradients of speed over torque [rpm/mNm] (references as above).
GRADIENTS = {
    "A": 37.7, "B": 8.09, "C": 29.6, "D": 17.5, "E": 551.0, "G1": 11475.0, "G2": 11904.0, "G3": 11714.0,
    "G4": 12553.0,
}  # fmt: skip


@pytest.mark.parametrize("name", GRADIENTS)
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
    # 30 R / (pi kt^2) of the printed values is up to 0.9 % from the printed gradient.
    assert gradient == pytest.approx(GRADIENTS[name], rel=0.011)
