"""The currents of a commutation against the published analysis of the six-step drive.

R. Carlson, M. Lajoie-Mazenc, J. C. dos S. Fagundes, "Analysis of torque ripple due to phase commutation in
brushless DC machines", IEEE Trans. Industry Applications 28(3):632-638, 1992 (from memory; derived anew from
the three loop equations and found the same). A star on a supply U, back-EMF E of a phase constant over the
short commutation, resistance neglected, L the inductance of a phase less the mutual one. Phase a leaves the
upper rail and freewheels through the lower diode, b takes over, c stays on the lower rail:

    outgoing  di_a/dt = -(U + 2 E) / (3 L)      gone after  t_f = 3 L I / (U + 2 E)
    incoming  di_b/dt = 2 (U - E) / (3 L)       at I after  t_r = 3 L I / (2 (U - E))
    staying   di_c/dt = -(U - 4 E) / (3 L)

At U = 4 E both take the same time and the torque does not change. Faster than that the torque dips, slower
than that it bulges, by (U - 4 E) / (U + 2 E) at t_f: down to a half where U = 2 E, the speed without load.
"""

import numpy as np
import pytest

from sim.plant.records import LOW, OFF
from tests.plant.harness import BOARD_MOTOR, Drive, plant, run, state

VOLTS, L_H, KE = BOARD_MOTOR["supply_V"], BOARD_MOTOR["inductance_H"], BOARD_MOTOR["ke_V_s_per_rad"]
START_A = 1e-3
"""So little that the rotor turns by less than 1e-4 electrical radians in the commutation."""
NO_OHM = {"resistance_ohm": 1e-4, "switch_ohm": 0.0}
"""A drop of a ten-millionth of a volt; a motor without any resistance is refused by the loader."""
WITHIN = 4e-5
"""What E of the phase that leaves its flat top loses in that angle, as a part of U + 2 E."""
HEAVY_kg_m2 = 1.0
B_TAKES_OVER = Drive(step=2)
LEAVING_A_DEG = 120.0
E_PARTS = (0.0, 0.1, 0.25, 0.4, 0.49)
"""Back-EMF of a phase as a part of the supply, from standstill to the speed without load."""


def commutation(e_part: float, times_s: "np.ndarray") -> "np.ndarray":
    """Currents [A] of the phases, and what the diode of a does, at times after the switching."""
    omega = e_part * VOLTS / KE
    p = plant(**NO_OHM, diode_V=0.0, inertia_kg_m2=HEAVY_kg_m2)
    s = state(LEAVING_A_DEG, omega_rad_s=omega, i_A=[START_A, 0.0, -START_A])
    return run(p, s, B_TAKES_OVER, times_s)[:, 3:7]


def gone_s(e_part: float) -> float:
    """t_f."""
    return 3.0 * L_H * START_A / (VOLTS * (1.0 + 2.0 * e_part))


@pytest.mark.parametrize("e_part", E_PARTS)
def test_the_three_currents_run_on_the_published_straight_lines(e_part: float) -> None:
    times_s = gone_s(e_part) * np.array([0.25, 0.5, 0.75, 0.99])
    per_s = (
        VOLTS / (3.0 * L_H) * np.array([-(1.0 + 2.0 * e_part), 2.0 * (1.0 - e_part), -(1.0 - 4.0 * e_part)])
    )
    expected = np.array([START_A, 0.0, -START_A]) + np.outer(times_s, per_s)
    found = commutation(e_part, times_s)
    np.testing.assert_allclose(found[:, :3], expected, atol=WITHIN * START_A)
    assert (found[:, 3] == LOW).all()


@pytest.mark.parametrize("e_part", E_PARTS)
def test_the_outgoing_current_is_gone_at_the_published_time(e_part: float) -> None:
    before, after = commutation(e_part, gone_s(e_part) * np.array([0.9999, 1.0001]))
    assert (before[3], after[3]) == (LOW, OFF)
    assert after[0] == 0.0


@pytest.mark.parametrize("e_part", E_PARTS)
def test_the_torque_changes_by_the_published_part(e_part: float) -> None:
    """e_a = e_b = -e_c, so the torque is that of the current in c."""
    (at_end,) = commutation(e_part, np.array([gone_s(e_part)]))
    change = -at_end[2] / START_A - 1.0
    assert change == pytest.approx((1.0 - 4.0 * e_part) / (1.0 + 2.0 * e_part), abs=WITHIN)


def test_incoming_and_outgoing_meet_where_the_supply_is_four_times_the_back_emf() -> None:
    (at_end,) = commutation(0.25, np.array([gone_s(0.25)]))
    assert at_end[1] == pytest.approx(START_A, rel=WITHIN)
