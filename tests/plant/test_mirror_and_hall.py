"""The sense of rotation: a motor seen in a mirror, and the Hall edges met from either side.

The motions elsewhere turn forward; here drag, Hall places and the crossing into turn -1 run backward, too.
"""

import math

import numpy as np
import pytest

from sim.plant.hall import hall_places, level_at
from tests.plant.harness import (
    BOARD_MOTOR,
    COASTING,
    FRICTION,
    KNOTS,
    STEP_RAD,
    WINDING_MOTOR,
    Drive,
    imbalance,
    plant,
    run,
    state,
)

HEAVY_kg_m2 = 1e3
"""A rotor that nothing here slows: its angle is speed times time."""
OMEGA_RAD_S = 100.0
DEG_PER_S = math.degrees(BOARD_MOTOR["pole_pairs"] * OMEGA_RAD_S)
ASIDE_DEG = 1e-3
"""Distance from an edge at which the level is read: far above the 1e-7 rad within which an edge counts as
met, far below any hysteresis."""


@pytest.mark.parametrize("pwm_s", [0.0, 50e-6])
@pytest.mark.parametrize("motor", [{**BOARD_MOTOR, **FRICTION}, {**WINDING_MOTOR, **FRICTION}])
def test_a_motor_seen_in_a_mirror_turns_backward(motor: dict[str, float], pwm_s: float) -> None:
    # Closed form, derived: the mirror at the middle of step 0 (phi -> 60 degrees - phi) swaps phases A and B.
    # Three steps ahead, every step pulls the other way.
    times = np.linspace(0.005, 0.05, 10)
    ahead = run(plant(**motor), state(20.0), Drive(pwm_s=pwm_s, duty=0.7), times)
    p, s = plant(**motor), state(60.0 - 20.0)
    back = run(p, s, Drive(lead=3, pwm_s=pwm_s, duty=0.7), times)
    assert (np.diff(back[:, 2]) < 0.0).all()
    # The same operations but for the Hall edges, which end segments elsewhere (2 degrees off each way): a
    # part of the stepper's error, 2e-7 at worst with segments of 4 degrees.
    np.testing.assert_allclose(-back[:, 1], ahead[:, 1], rtol=2e-6)
    np.testing.assert_allclose(STEP_RAD - back[:, 2], ahead[:, 2], rtol=1e-6)
    largest_A = np.abs(ahead[:, 3:6]).max()
    np.testing.assert_allclose(back[:, [4, 3, 5]], ahead[:, 3:6], atol=2e-5 * largest_A)
    assert float(s["friction_J"]) > 0.0
    assert float(s["load_J"]) > 0.0
    # The band of test_invariances.py.
    assert abs(imbalance(p, s)) < 1e-3


@pytest.mark.parametrize("error_deg", [0.0, 7.0, -12.5, 58.5])
@pytest.mark.parametrize("hysteresis_deg", [1.0, 4.0])
@pytest.mark.parametrize("sense", [1, -1])
def test_the_sensor_switches_at_its_angles(error_deg: float, hysteresis_deg: float, sense: int) -> None:
    # Definition of the sensor (common practice, no source): rise at the placement error, fall half a turn on,
    # each late by half the hysteresis in the sense of rotation. Backward, the level falls where it rose.
    knot, u_rad = hall_places(error_deg, hysteresis_deg, KNOTS)
    p = plant(inertia_kg_m2=HEAVY_kg_m2, hall_knot=knot, hall_u_rad=u_rad)
    start_deg = error_deg + 90.0  # high, far from both edges
    s = state(start_deg, omega_rad_s=sense * OMEGA_RAD_S, hall=1)
    assert level_at(p, s) == 1
    first_deg = 180.0 if sense > 0 else 0.0
    edges_deg = error_deg + 0.5 * sense * hysteresis_deg + first_deg + 180.0 * sense * np.arange(6)
    level = 1
    for edge_deg in edges_deg:
        for aside_deg, expected in ((-ASIDE_DEG, level), (ASIDE_DEG, 1 - level)):
            run(p, s, COASTING, (abs(edge_deg - start_deg) + aside_deg) / DEG_PER_S)
            assert s["hall"] == expected, edge_deg
        level = 1 - level
        if sense > 0:
            assert level_at(p, s) == level


def test_turning_back_within_the_hysteresis_leaves_the_level() -> None:
    # Over the rise at +2 degrees, back to -1, forth again: high throughout. Back beyond -2: low.
    knot, u_rad = hall_places(0.0, 4.0, KNOTS)
    p = plant(inertia_kg_m2=HEAVY_kg_m2, hall_knot=knot, hall_u_rad=u_rad)
    s, at_deg, levels = state(-30.0, omega_rad_s=OMEGA_RAD_S), -30.0, []
    for to_deg in (1.9, 2.1, -1.0, 3.0, -1.9, -2.1, 1.9, 2.1):
        s["omega_rad_s"] = math.copysign(OMEGA_RAD_S, to_deg - at_deg)
        run(p, s, COASTING, float(s["t_s"]) + abs(to_deg - at_deg) / DEG_PER_S)
        at_deg = to_deg
        levels.append(int(s["hall"]))
    assert levels == [0, 1, 1, 1, 1, 0, 0, 1]
