"""What must hold for any motor: charge, energy, and the names of the phases."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.plant.harness import BOARD_MOTOR, FRICTION, Drive, imbalance, plant, run, state


@st.composite
def motors(draw: st.DrawFn) -> dict[str, float]:
    """Motors around the board motor, each constant a factor of up to five away; no two of them alike."""
    motor = {**BOARD_MOTOR, **FRICTION}
    for name in ("resistance_ohm", "inductance_H", "ke_V_s_per_rad", "inertia_kg_m2", "supply_V"):
        motor[name] *= math.exp(draw(st.floats(-1.6, 1.6)))
    motor["pole_pairs"] = draw(st.integers(1, 6))
    return motor


@settings(max_examples=25)
@given(motor=motors(), duty=st.floats(0.1, 1.0), angle=st.floats(0.0, 359.0))
def test_currents_sum_to_zero_and_energy_is_kept(motor: dict[str, float], duty: float, angle: float) -> None:
    p, s = plant(max_segment_deg=10.0, **motor), state(angle)
    samples = run(p, s, Drive(pwm_s=50e-6, duty=duty), np.linspace(0.002, 0.02, 7))
    assert np.isfinite(samples).all()
    assert np.abs(samples[:, 3:6].sum(axis=1)).max() < 1e-9 * max(
        float(s["peak_A"]), 1e-3
    )  # rounding adds up
    # The speed of a segment is predicted for the back-EMF and then computed: a second-order difference.
    assert abs(imbalance(p, s)) < 1e-3


@pytest.mark.parametrize("turn", [120.0, 240.0])
def test_the_names_of_the_phases_do_not_matter(turn: float) -> None:
    p = plant(**FRICTION)
    plain = run(p, state(20.0), Drive(), 0.05)[0]
    turned = run(p, state(20.0 + turn), Drive(), 0.05)[0]
    shift = round(turn / 120.0)
    assert turned[1] == pytest.approx(
        plain[1], rel=1e-9
    )  # the same operations on other names; sums round otherwise
    np.testing.assert_allclose(np.roll(turned[3:6], -shift), plain[3:6], atol=1e-9)
