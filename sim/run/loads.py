"""Torque against a rotor that turns forward, as the closed forms need it: the sum of what `sim.plant.drag`
computes.

Written a second time in plain Python, because a kernel called from Python must be compiled first;
tests/run/test_loads.py holds both to each other.
"""

import numpy as np

from sim.plant.records import Record


def drag_Nm(p: Record, omega_rad_s: float) -> float:
    """Friction, iron and load at a forward speed [rad/s], with the last load step in force."""
    steps, rows = int(p["load_steps"]), int(p["table_rows"])
    torque = p["coulomb_Nm"] + p["magnetic_drag_Nm"]
    torque += (p["viscous_Nm_s_per_rad"] + p["eddy_Nm_s_per_rad"]) * omega_rad_s
    torque += (p["windage_Nm_s2_per_rad2"] + p["fan_Nm_s2_per_rad2"]) * omega_rad_s**2
    if steps:
        torque += p["load_step_Nm"][steps - 1]
    if rows:
        torque += np.interp(omega_rad_s, p["table_rad_s"][:rows], p["table_Nm"][:rows])
    return float(torque)
