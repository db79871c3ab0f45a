"""The energy balance: every term is there, and each is large enough that leaving it out would show."""

import numpy as np
import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.plant.records import WINDOW_COLUMNS
from sim.run.energy import LOSSES, energy_balance_error, stored_J
from sim.run.simulate import Recording, simulate

CONTRACT = 1e-3
"""0.1 % of what the supply gave, of every shipped scenario."""
EVERYTHING: dict[str, Override] = {
    "firmware.law": "duty_pi", "firmware.target": "m4f",
    "command.speed_rpm": 12000.0, "require.speed_rpm": 12000.0,
    "command.duration_s": 1.0, "require.within_s": 1.0,
    "motor.connection": "delta", "motor.magnetic_drag_Nm": 1e-5, "motor.eddy_drag_Nm_s_per_rad": 1e-8,
    "motor.cogging_Nm": 2e-6, "motor.ke_imbalance_b_percent": -3.0,
    "motor.resistance_imbalance_b_percent": 10.0, "motor.resistance_imbalance_c_percent": -5.0,
    "motor.inductance_imbalance_b_percent": -10.0, "motor.inductance_imbalance_c_percent": 20.0,
    "drive.supply_resistance_ohm": 0.3, "drive.battery_sag_ohm": 0.2, "drive.battery_sag_time_s": 0.3,
    "drive.supply_steps": [{"at_s": 0.5, "supply_percent": 60.0}, {"at_s": 0.6, "supply_percent": 100.0}],
    "drive.battery_fade_V_per_As": 0.01, "drive.dead_time_s": 1e-6, "drive.pwm_mode": "complementary",
    "load.constant_torque_Nm": 1e-5, "hall.jitter_s": 1e-6,
    "thermal.winding_to_board_K_per_W": 4.0, "thermal.board_to_ambient_K_per_W": 10.0,
    "thermal.winding_J_per_K": 0.05, "thermal.board_J_per_K": 0.1, "thermal.magnet_per_K": -0.001,
}  # fmt: skip


@pytest.fixture(scope="module")
def recording() -> Recording:
    return simulate(apply_overrides(load_design("scenarios/air_sampler.toml"), EVERYTHING))


def test_with_every_effect_at_work_the_energy_balances(recording: Recording) -> None:
    assert energy_balance_error(recording) < CONTRACT


@pytest.mark.parametrize("term", LOSSES)
def test_a_loss_left_out_would_show(recording: Recording, term: str) -> None:
    supply_J, lost_J = float(recording.state["supply_J"]), float(recording.state[term])
    error = energy_balance_error(recording)
    assert lost_J / supply_J > 2.0 * CONTRACT  # large enough to tell
    recording.state[term] = 0.0
    try:
        assert energy_balance_error(recording) > CONTRACT
    finally:
        recording.state[term] = lost_J
    assert energy_balance_error(recording) == error


def test_the_rotor_left_out_would_show(recording: Recording) -> None:
    kept, recording.plant["inertia_kg_m2"] = float(recording.plant["inertia_kg_m2"]), 0.0
    try:
        assert energy_balance_error(recording) > CONTRACT
    finally:
        recording.plant["inertia_kg_m2"] = kept


def test_the_stores_that_are_small_in_a_long_run_are_counted(recording: Recording) -> None:
    # Inductances, detents and capacitor hold micro- to millijoules: told by what taking them out changes.
    whole = stored_J(recording)
    s, p = recording.state, recording.plant
    bus_V = float(p["supply_V"] - s["sag_V"])
    i, c = s["i_A"], s["round_A"]
    coils_A = np.array([i[0] - i[1], i[1] - i[2], i[2] - i[0]]) / 3.0 + c
    coils_H = recording.design.motor.phase_inductance_H * np.array([1.0, 0.9, 1.2])
    stores = {
        "inductance_H": 0.5 * np.sum(coils_H * coils_A**2),
        "bulk_F": 0.5 * p["bulk_F"] * (bus_V**2 - p["supply_V"] ** 2),
    }
    for name, energy_J in stores.items():
        kept, p[name] = float(p[name]), 0.0
        assert whole - stored_J(recording) == pytest.approx(float(energy_J), rel=1e-6)
        assert energy_J != 0.0
        p[name] = kept
    cogging, s["cogging_J"] = float(s["cogging_J"]), float(s["cogging_J"]) + 1.0
    assert stored_J(recording) - whole == pytest.approx(1.0, rel=1e-9)
    s["cogging_J"] = cogging


def test_the_undriven_terminal_shows_its_back_emf() -> None:
    # Two phases conduct with opposite currents and flat tops of opposite sign: the star point is midway
    # between their terminals, and the third shows its own back-EMF against it (derived).
    design: Design = apply_overrides(
        load_design("scenarios/air_sampler.toml"), {"firmware.law": "duty_pi", "firmware.target": "m4f"}
    )
    ran = simulate(design, 2.99, 6000)
    rows = {name: ran.window[:, WINDOW_COLUMNS.index(name)] for name in WINDOW_COLUMNS}
    angle = rows["angle_deg"] % 360.0
    open_c = (
        (rows["step"] == 0) & (rows["i_c_A"] == 0.0) & (rows["i_a_A"] > 0.05) & (angle < 59.0) & (angle > 1.0)
    )
    assert open_c.sum() > 50
    omega = float(ran.state["omega_rad_s"])
    # Phase C falls from its positive to its negative flat top over step 0.
    emf_V = design.motor.ke_V_s_per_rad * omega * (1.0 - angle[open_c] / 30.0)
    midway_V = 0.5 * (rows["v_a_V"] + rows["v_b_V"])[open_c]
    # Speed varies within a turn by some parts in a thousand.
    np.testing.assert_allclose(rows["v_c_V"][open_c] - midway_V, emf_V, atol=0.01 * np.abs(emf_V).max())
