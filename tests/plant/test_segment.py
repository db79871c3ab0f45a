"""One segment's integrals in closed form against numerical quadrature of the waveforms they integrate."""

import numpy as np
import pytest
from scipy.integrate import quad

from sim.plant.emf import trapezoid
from sim.plant.records import HIGH, LOW, SEGMENT, Record
from sim.plant.segment import current_A, start_shapes, trial
from tests.plant.harness import BOARD_MOTOR, KNOTS, plant, state

TAU_S = BOARD_MOTOR["inductance_H"] / (BOARD_MOTOR["resistance_ohm"] + BOARD_MOTOR["switch_ohm"])


def solved(length_s: float) -> tuple[Record, Record, Record]:
    """A segment in mid-step of a rotor that gathers speed; all three phases conduct, A and C up, B down."""
    p, w = plant(), np.zeros(1, SEGMENT)[0]
    s = state(12.0, omega_rad_s=2500.0, alpha_rad_s2=4e5, i_A=[0.9, -1.3, 0.4], step=0)
    s["leg"], s["diode"] = [HIGH, LOW, 0], [0, 0, HIGH]
    w["direction"] = 1
    shape = trapezoid(KNOTS)
    start_shapes(p, s, w, shape)
    trial(p, s, w, shape, length_s)
    return p, s, w


@pytest.mark.parametrize("length_s", [0.1 * TAU_S, TAU_S, 6.0 * TAU_S])
def test_charge_heat_impulse_and_its_moment_are_the_integrals_of_the_currents(length_s: float) -> None:
    p, s, w = solved(length_s)
    h, ke = length_s, float(p["ke_V_s_per_rad"])

    def current(k: int, t_s: float) -> float:
        return float(current_A(w, k, t_s))

    def torque(t_s: float) -> float:
        shapes = w["shape_start"] + (w["shape_end"] - w["shape_start"]) * t_s / h
        return ke * sum(float(shapes[k]) * current(k, t_s) for k in range(3))

    for k in range(3):
        assert current(k, 0.0) == pytest.approx(float(s["i_A"][k]), rel=1e-12)
        assert w["i_end_A"][k] == pytest.approx(current(k, h), rel=1e-12)
        # quad's own error is 1e-14 of these smooth functions; short segments cancel three digits.
        assert w["charge_A_s"][k] == pytest.approx(quad(lambda t, k=k: current(k, t), 0.0, h)[0], rel=1e-10)
    heat = quad(lambda t: sum(current(k, t) ** 2 for k in range(3)), 0.0, h)[0]
    assert w["square_A2s"] == pytest.approx(heat, rel=1e-10)
    inertia = float(p["inertia_kg_m2"])
    gained = quad(torque, 0.0, h)[0] / inertia
    assert w["omega_end_rad_s"] - s["omega_rad_s"] == pytest.approx(gained, rel=1e-8)  # a difference of 2500s
    # The angle is the speed's integral: that of (h - t) T / J on top of the start's.
    turned = h * float(s["omega_rad_s"]) + quad(lambda t: (h - t) * torque(t), 0.0, h)[0] / inertia
    assert w["advance_rad"] / p["pole_pairs"] == pytest.approx(turned, rel=1e-13)


def test_the_moment_is_told_from_half_the_impulse() -> None:
    # The lean of the impulse, of which the angle above shows a part in 1e-6 alone.
    _, _, w = solved(TAU_S)

    def torque_over_ke(t_s: float) -> float:
        part = t_s / TAU_S
        shapes = w["shape_start"] + (w["shape_end"] - w["shape_start"]) * part
        return sum(float(shapes[k]) * float(current_A(w, k, t_s)) for k in range(3))

    lean = quad(lambda t: (0.5 - t / TAU_S) * torque_over_ke(t), 0.0, TAU_S)[0]
    assert w["lean_A_s"] == pytest.approx(lean, rel=1e-9)
