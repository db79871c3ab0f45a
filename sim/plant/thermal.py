"""Temperatures of winding and board: two lumped nodes, advanced in equal ticks.

    C_w dT_w/dt = P_w - (T_w - T_b) / R_wb        C_b dT_b/dt = P_b + (T_w - T_b) / R_wb - (T_b - T_a) / R_ba

Two nodes in series are what motor datasheets print (winding-housing and housing-ambient). With the powers
held over a tick, T' = hold T + gain P is exact (zero-order hold: Van Loan, IEEE Trans. AC-23(3), 1978, from
memory).
"""

import numpy as np
from numpy.typing import NDArray

from controllers.jit import kernel
from sim.plant.records import Record


def two_nodes(
    winding_to_board_K_per_W: float,
    board_to_ambient_K_per_W: float,
    winding_J_per_K: float,
    board_J_per_K: float,
    tick_s: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """`hold` (2, 2) and `gain` (2, 2) [K/W] of a tick, for the rises of (winding, board) above ambient and
    the powers into them [W]."""
    across, out = 1.0 / winding_to_board_K_per_W, 1.0 / board_to_ambient_K_per_W
    rate = np.array(
        [
            [-across / winding_J_per_K, across / winding_J_per_K],
            [across / board_J_per_K, -(across + out) / board_J_per_K],
        ]
    )
    values, vectors = np.linalg.eig(rate)  # real and distinct: two RC links in a chain
    back = np.linalg.inv(vectors)
    grown = np.exp(values * tick_s)
    hold = vectors @ np.diag(grown) @ back
    gain = vectors @ np.diag((grown - 1.0) / values) @ back
    return hold, gain / np.array([winding_J_per_K, board_J_per_K])


@kernel
def thermal_tick(p: Record, s: Record) -> None:
    """Advance the temperatures over the tick that has just ended; resistance and back-EMF of the next one are
    those of its middle, if the temperatures go on as over the last: order 2 in the tick."""
    board_J = s.switch_J + s.diode_J
    winding_W = (s.copper_J - s.thermal_copper_J) / p.thermal_tick_s
    board_W = (board_J - s.thermal_board_J) / p.thermal_tick_s
    s.thermal_copper_J, s.thermal_board_J = s.copper_J, board_J
    hold, gain = p.thermal_hold, p.thermal_gain_K_per_W
    winding_K, board_K = s.winding_rise_K, s.board_rise_K
    s.winding_rise_K = (
        hold[0, 0] * winding_K + hold[0, 1] * board_K + gain[0, 0] * winding_W + gain[0, 1] * board_W
    )
    s.board_rise_K = (
        hold[1, 0] * winding_K + hold[1, 1] * board_K + gain[1, 0] * winding_W + gain[1, 1] * board_W
    )
    s.hottest_rise_K = max(s.hottest_rise_K, s.winding_rise_K)
    s.warm_ohm = p.ohm_per_K * (s.winding_rise_K + 0.5 * (s.winding_rise_K - winding_K))
    s.ke_drift_V_s_per_rad = p.ke_per_K * (s.board_rise_K + 0.5 * (s.board_rise_K - board_K))
