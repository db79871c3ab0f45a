"""The closed forms' drag against the kernel's, term by term."""

from typing import Any

import numpy as np
import pytest

from sim.plant.drag import friction_Nm, iron_Nm, load_Nm
from sim.plant.records import PLANT
from sim.run.loads import drag_Nm

TERMS: dict[str, dict[str, Any]] = {
    "coulomb": {"coulomb_Nm": 3e-6},
    "viscous": {"viscous_Nm_s_per_rad": 2e-9},
    "windage": {"windage_Nm_s2_per_rad2": 4e-12},
    "fan": {"fan_Nm_s2_per_rad2": 6e-11},
    "hysteresis": {"magnetic_drag_Nm": 7e-6},
    "eddy currents": {"eddy_Nm_s_per_rad": 5e-9},
    "brake": {"load_steps": 2, "load_step_s": [0.0, 1.0], "load_step_Nm": [1e-5, 2e-5]},
    "table": {"table_rows": 3, "table_rad_s": [100.0, 500.0, 900.0], "table_Nm": [1e-6, 8e-6, 5e-6]},
}


@pytest.mark.parametrize("name", TERMS)
@pytest.mark.parametrize("omega", [50.0, 300.0, 500.0, 2000.0])
def test_both_say_the_same(name: str, omega: float) -> None:
    p = np.zeros(1, PLANT)[0]
    for field, value in TERMS[name].items():
        if isinstance(value, list):
            p[field][: len(value)] = value
        else:
            p[field] = value
    brake_Nm = p["load_step_Nm"][1] if p["load_steps"] else 0.0
    kernel = friction_Nm(p, omega, 1) + iron_Nm(p, omega, 1) + load_Nm(p, omega, 1, brake_Nm)
    assert drag_Nm(p, omega) == pytest.approx(kernel, rel=1e-13)  # rounding
    assert drag_Nm(p, omega) > 0.0
