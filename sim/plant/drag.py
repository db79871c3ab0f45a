"""Torques on the rotor that do not come from the currents: friction, iron, load, detents.

Drag torques are counted positive against the motion. `direction` is the sense of rotation, also of a motion
about to begin from rest.
"""

import math

from controllers.jit import kernel
from sim.plant.records import Record

_SIXTH = 1.0 / 6.0


@kernel
def friction_Nm(p: Record, omega_rad_s: float, direction: int) -> float:
    """Coulomb friction, viscous friction and windage of the bare rotor."""
    return (
        p.coulomb_Nm * direction
        + p.viscous_Nm_s_per_rad * omega_rad_s
        + p.windage_Nm_s2_per_rad2 * omega_rad_s * abs(omega_rad_s)
    )


@kernel
def iron_Nm(p: Record, omega_rad_s: float, direction: int) -> float:
    """Drag of iron in the rotor's field: hysteresis takes the same energy each turn (a constant torque), eddy
    currents take a torque proportional to speed (Steinmetz 1892 and the classical eddy-current formula, from
    memory: P = k_h f + k_e f^2 at constant flux)."""
    return p.magnetic_drag_Nm * direction + p.eddy_Nm_s_per_rad * omega_rad_s


@kernel
def _table_Nm(p: Record, speed_rad_s: float) -> float:
    """Load torque at a speed >= 0 from the table: linear between its rows, constant before the first and
    after the last."""
    last = p.table_rows - 1
    if speed_rad_s >= p.table_rad_s[last]:
        return p.table_Nm[last]
    if speed_rad_s <= p.table_rad_s[0]:
        return p.table_Nm[0]
    row = 0
    while p.table_rad_s[row + 1] < speed_rad_s:
        row += 1
    part = (speed_rad_s - p.table_rad_s[row]) / (p.table_rad_s[row + 1] - p.table_rad_s[row])
    return p.table_Nm[row] + part * (p.table_Nm[row + 1] - p.table_Nm[row])


@kernel
def load_Nm(p: Record, omega_rad_s: float, direction: int, brake_Nm: float) -> float:
    """Torque of fan, propeller, table and brake; `brake_Nm` is the load step in force."""
    torque = p.fan_Nm_s2_per_rad2 * omega_rad_s * abs(omega_rad_s) + brake_Nm * direction
    if p.table_rows > 0:
        torque += _table_Nm(p, abs(omega_rad_s)) * direction
    return torque


@kernel
def holding_Nm(p: Record, brake_Nm: float) -> float:
    """Torque that must be exceeded before a standing rotor turns: stiction, hysteresis of the iron, and what
    the load takes at rest."""
    torque = p.stiction_Nm + p.magnetic_drag_Nm + brake_Nm
    if p.table_rows > 0:
        torque += p.table_Nm[0]
    return torque


@kernel
def cogging_Nm(p: Record, s: Record, ahead_rad: float) -> float:
    """Torque of the detents, `ahead_rad` electrical radians ahead of the rotor's angle: -A sin(N theta),
    theta from a detent, N detents per turn (the fundamental of cogging; Hendershot and Miller, from
    memory)."""
    if p.cogging_Nm == 0.0:
        return 0.0
    electrical = 2.0 * math.pi * s.turns + s.knot * p.cell_rad + s.u_rad + ahead_rad
    return -p.cogging_Nm * math.sin((electrical - p.detent_rad) * (p.cogs_per_turn / p.pole_pairs))


@kernel
def cogging_mean_Nm(p: Record, s: Record, turning_rad: float) -> float:
    """Mean torque of the detents over the angle a segment is predicted to turn: Simpson's rule, whose error
    of fourth order is far below that of the predicted angle."""
    start, end = cogging_Nm(p, s, 0.0), cogging_Nm(p, s, turning_rad)
    return _SIXTH * (start + 4.0 * cogging_Nm(p, s, 0.5 * turning_rad) + end)
