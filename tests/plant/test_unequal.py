"""Coils of unequal resistance and inductance: closed forms, one segment, and the way back to equal ones.

Against a solver: test_against_scipy.py, test_delta.py and test_emf.py; order: test_convergence.py; names of
the phases, energy: test_invariances.py. Closed forms derived here from v = R i + L di/dt + e around the loop
that conducts.
"""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.linalg import expm

from sim.plant.delta import ROUND
from sim.plant.emf import flat_top, sine, table, trapezoid
from sim.plant.modes import set_circuits
from sim.plant.records import HIGH, LOW, SEGMENT, SWITCHED_COMPLEMENTARY, SWITCHED_LOW_SIDE, Record
from sim.plant.segment import current_A, start_shapes, terminal_V, trial
from tests.plant.harness import (
    BOARD_MOTOR,
    COASTING,
    FRICTION,
    UNEQUAL,
    WINDING_MOTOR,
    Drive,
    HELD_Nm,
    imbalance,
    plant,
    run,
    state,
)
from tests.plant.reference import flat_top as second_flat_top
from tests.plant.reference_bridge import Bridge
from tests.plant.test_against_scipy import LOADED, reference
from tests.plant.test_convergence import warming
from tests.plant.test_delta import coils, second

OHM = BOARD_MOTOR["resistance_ohm"] * (1.0 + np.array(UNEQUAL["more_ohm_part"]))
HENRY = BOARD_MOTOR["inductance_H"] * (1.0 + np.array(UNEQUAL["more_H_part"]))
SWITCH, VOLTS = BOARD_MOTOR["switch_ohm"], BOARD_MOTOR["supply_V"]
BOARD = {**BOARD_MOTOR, **UNEQUAL}
STEPS = {0: (0, 1), 1: (0, 2), 2: (1, 2)}
"""High and low terminal of three steps."""
DELTA_SHAPES = table(flat_top, 12, delta=True)


@pytest.mark.parametrize("step", STEPS)
def test_two_unequal_coils_in_series_rise_with_their_sums(step: int) -> None:
    high, low = STEPS[step]
    ohm, henry = OHM[high] + OHM[low] + 2.0 * SWITCH, HENRY[high] + HENRY[low]
    times = np.array([0.2, 0.5, 1.0, 3.0]) * henry / ohm
    p, s = plant(stiction_Nm=HELD_Nm, **BOARD), state()
    samples = run(p, s, Drive(step=step), times)
    expected = VOLTS / ohm * -np.expm1(-times * ohm / henry)
    # The segment is exact: rounding only.
    np.testing.assert_allclose(samples[:, 3 + high], expected, rtol=1e-12)
    np.testing.assert_allclose(samples[:, 3 + low], -expected, rtol=1e-12)
    square = quad(lambda t: (VOLTS / ohm * -np.expm1(-t * ohm / henry)) ** 2, 0.0, times[-1])[0]
    assert float(s["copper_J"]) == pytest.approx((OHM[high] + OHM[low]) * square, rel=1e-10)
    assert float(s["switch_J"]) == pytest.approx(2.0 * SWITCH * square, rel=1e-10)
    assert abs(imbalance(p, s)) < 1e-12  # every integral is exact while the rotor stands


@pytest.mark.parametrize("step", STEPS)
def test_a_held_delta_shows_one_coil_beside_the_two_others(step: int) -> None:
    high, low = STEPS[step]
    between = high if low == (high + 1) % 3 else low  # the coil from one terminal to the other
    others = OHM.sum() - OHM[between]
    ohm = 1.0 / (1.0 / OHM[between] + 1.0 / others) + 2.0 * SWITCH
    p, s = plant(stiction_Nm=HELD_Nm, knots=12, **coils(BOARD)), state(30.0, 12)
    samples = run(p, s, Drive(step=step), 1e-3, DELTA_SHAPES)
    line_A = VOLTS / ohm
    assert samples[0, 3 + high] == pytest.approx(line_A, rel=1e-12)
    copper_J = float(s["copper_J"])
    run(p, s, Drive(step=step), 2e-3, DELTA_SHAPES)
    heat_W = (float(s["copper_J"]) - copper_J) / 1e-3
    assert heat_W == pytest.approx((ohm - 2.0 * SWITCH) * line_A**2, rel=1e-9)
    assert abs(imbalance(p, s)) < 1e-12


def test_warm_copper_turns_the_modes() -> None:
    # The windings warm by 50 K at the first tick and stay so: with the switches' resistance, which does not
    # grow, the modes are others, not only slower.
    motor = {**coils(BOARD), **warming(1e-3), "ohm_per_K": 0.00393 * BOARD["resistance_ohm"] / 3.0}
    motor |= {"thermal_hold": np.eye(2), "thermal_gain_K_per_W": np.zeros((2, 2)), "ke_per_K": 0.0}
    p = plant(stiction_Nm=HELD_Nm, knots=12, **motor)
    s = state(30.0, 12, winding_rise_K=50.0)
    line_A = run(p, s, Drive(step=0), 3e-3, DELTA_SHAPES)[0, 3]
    warm = OHM * (1.0 + 0.00393 * 50.0)
    ohm = 1.0 / (1.0 / warm[0] + 1.0 / (warm[1] + warm[2])) + 2.0 * SWITCH
    assert line_A == pytest.approx(VOLTS / ohm, rel=1e-12)


SHAPES = {"wye": trapezoid(), "delta": DELTA_SHAPES}
LEGS: dict[str, tuple[list[int], list[int]]] = {
    "all conduct": ([HIGH, LOW, 0], [0, 0, HIGH]),
    "C open": ([HIGH, LOW, 0], [0, 0, 0]),
    "all open": ([0, 0, 0], [0, 0, 0]),
}
LINE_A = {"all conduct": [0.9, -1.3, 0.4], "C open": [0.9, -0.9, 0.0], "all open": [0.0, 0.0, 0.0]}
BENDS = {("wye", "C open"), ("delta", "C open"), ("delta", "all open")}
"""Where the voltage of an open terminal is no straight line while the rotor stands."""


def solved(name: str, legs: str, length_s: float, omega: float) -> tuple[Record, Record, Record]:
    """A segment of a rotor that gathers speed, or of one that is held."""
    delta, shape = name == "delta", SHAPES[name]
    motor = coils(BOARD) if delta else BOARD
    p = plant(knots=len(shape) - 1, stiction_Nm=0.0 if omega else HELD_Nm, **motor)
    s = state(12.0, len(shape) - 1, omega_rad_s=omega, alpha_rad_s2=160.0 * omega, step=0)
    s["i_A"], s["round_A"] = LINE_A[legs], 0.2 * delta
    s["leg"], s["diode"] = LEGS[legs]
    w = np.zeros(1, SEGMENT)[0]
    w["direction"] = 1 if omega else 0
    set_circuits(p, s)
    start_shapes(p, s, w, shape)
    trial(p, s, w, shape, length_s)
    return p, s, w


def coil_currents(w: Record, name: str, t_s: float) -> NDArray[np.float64]:
    """Currents of the coils from those of the segment."""
    i = np.array([current_A(w, k, t_s) for k in range(3)])
    return (i - np.roll(i, -1)) / 3.0 + current_A(w, ROUND, t_s) if name == "delta" else i


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("legs", LEGS)
def test_a_segment_is_the_matrix_exponential_of_the_second_model(name: str, legs: str) -> None:
    # With the rotor held the second model's rates are linear in the coils' currents: di/dt = M i + n.
    h = 1e-5
    _, _, w = solved(name, legs, h, 0.0)
    model = second(BOARD) if name == "delta" else reference(BOARD)
    ends: list[Any] = [(1, 0.0), (0, 0.0), (1, model.diode)]
    opened = {"all conduct": [], "C open": [2], "all open": [0, 1, 2]}[legs]
    for k in opened:
        ends[k] = None

    def state_of(currents_A: NDArray[np.float64]) -> NDArray[np.float64]:
        y = model.start(12.0)
        y[:3] = currents_A
        return y

    block = np.zeros((4, 4))
    block[:3, 3] = model.current_rates(ends, state_of(np.zeros(3)))
    for k in range(3):
        block[:3, k] = np.array(model.current_rates(ends, state_of(np.eye(3)[k]))) - block[:3, 3]
    start = np.append(coil_currents(w, name, 0.0), 1.0)
    for part in (0.0, 0.3, 1.0):
        wanted = (expm(block * part * h) @ start)[:3]
        np.testing.assert_allclose(coil_currents(w, name, part * h), wanted, atol=1e-12)  # rounding
        for k in opened:
            open_V = model.open_V(ends, state_of(wanted), k)
            assert terminal_V(w, k, part) == pytest.approx(open_V, abs=1e-11)
    bend_V = terminal_V(w, 2, 0.3) - (0.7 * w["w_start_V"][2] + 0.3 * w["w_end_V"][2])
    assert (abs(bend_V) > 1e-3) == ((name, legs) in BENDS)


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("legs", LEGS)
@pytest.mark.parametrize("length_s", [2e-6, 2e-5])
def test_charge_heat_and_impulse_are_the_integrals_of_the_currents(
    name: str, legs: str, length_s: float
) -> None:
    p, s, w = solved(name, legs, length_s, 2500.0)
    h, ke = length_s, float(p["ke_V_s_per_rad"])

    def torque(t_s: float) -> float:
        shapes = w["shape_start"] + (w["shape_end"] - w["shape_start"]) * t_s / h
        places = range(4 if name == "delta" else 3)
        return ke * sum(float(shapes[q]) * float(current_A(w, q, t_s)) for q in places)

    for k in range(3):
        assert current_A(w, k, 0.0) == pytest.approx(float(s["i_A"][k]), rel=1e-12, abs=1e-15)
        assert w["i_end_A"][k] == pytest.approx(current_A(w, k, h), rel=1e-12, abs=1e-15)
        charge = quad(lambda t, k=k: current_A(w, k, t), 0.0, h)[0]
        # quad's own error is 1e-14 of these smooth functions; short segments cancel three digits.
        assert w["charge_A_s"][k] == pytest.approx(charge, rel=1e-10, abs=1e-20)
    lines = quad(lambda t: sum(current_A(w, k, t) ** 2 for k in range(3)), 0.0, h)[0]
    assert w["square_A2s"] == pytest.approx(lines, rel=1e-10)
    in_coils = quad(lambda t: np.sum(coil_currents(w, name, t) ** 2), 0.0, h)[0]
    assert w["coil_A2s"] == pytest.approx(in_coils, rel=1e-10)
    copper = quad(lambda t: np.sum(OHM / OHM[0] * coil_currents(w, name, t) ** 2), 0.0, h)[0]
    assert w["copper_A2s"] == pytest.approx(copper, rel=1e-10)
    inertia = float(p["inertia_kg_m2"])
    gained = quad(torque, 0.0, h)[0] / inertia
    assert w["omega_end_rad_s"] - s["omega_rad_s"] == pytest.approx(gained, rel=1e-7)  # a difference of 2500s
    lean = quad(lambda t: (0.5 - t / h) * torque(t) / ke, 0.0, h)[0]
    assert w["lean_A_s"] == pytest.approx(lean, rel=1e-9)


WAVES = {
    "wye": (BOARD_MOTOR, SHAPES["wye"]),
    "iron motor": (WINDING_MOTOR, table(sine(36), 36)),
    "delta": (coils(BOARD_MOTOR), DELTA_SHAPES),
    "iron motor in delta": (coils(WINDING_MOTOR), DELTA_SHAPES),
}
EFFECTS: dict[str, dict[str, Any]] = {
    "chopped": {}, "trip": {"trip_A": 0.8}, "low side": {"pwm_mode": SWITCHED_LOW_SIDE},
    "dead time": {"pwm_mode": SWITCHED_COMPLEMENTARY, "dead_s": 1e-6},
}  # fmt: skip


@pytest.mark.parametrize("wave", WAVES)
@pytest.mark.parametrize("effect", EFFECTS)
def test_modes_of_equal_coils_are_the_equal_coils(wave: str, effect: str) -> None:
    motor, shapes = WAVES[wave]
    knots, seen = len(shapes) - 1, []
    for unequal in (0, 1):
        p = plant(10.0, 2e-6, knots, **{**motor, **FRICTION, **EFFECTS[effect]}, unequal=unequal)
        s = state(20.0, knots)
        samples = run(p, s, Drive(pwm_s=50e-6, duty=0.6), np.linspace(0.002, 0.02, 7), shapes)
        sums = [float(s[name]) for name in ("copper_J", "switch_J", "diode_J", "supply_J", "square_A2s")]
        seen.append(np.concatenate([samples[:, 1:6].ravel(), sums]))
    # The same waveforms by other operations: rounding, which a tripping motor's 400 periods pass on.
    np.testing.assert_allclose(seen[1], seen[0], rtol=1e-10, atol=1e-11)


@pytest.mark.parametrize("name", SHAPES)
def test_all_off_unequal_coils_rectify_as_the_solver_says(name: str) -> None:
    # 1.7 times the no-load speed, nothing driven: diodes turn on from silence, two at a time.
    motor, shapes = {**LOADED, "supply_V": 8.0, **UNEQUAL}, SHAPES[name]
    delta, knots = name == "delta", len(shapes) - 1
    model = second(motor, shape=second_flat_top) if delta else reference(motor)
    bridge = Bridge(model, corner=np.pi / (6.0 if delta else 3.0))
    bridge.asked = lambda _step, _on: [None, None, None]  # type: ignore[method-assign]
    omega = 2200.0 if delta else 1100.0
    times = np.linspace(5e-4, 0.01, 20)
    wanted = bridge.run(model.start(20.0, omega), times, rtol=1e-9)
    p = plant(max_segment_deg=2.0, knots=knots, **(coils(motor) if delta else motor))
    s = state(20.0, knots, omega_rad_s=omega)
    samples = run(p, s, COASTING, times, shapes)
    np.testing.assert_allclose(samples[:, 1], wanted[:, 3], rtol=5e-5)
    assert float(s["supply_J"]) == pytest.approx(wanted[-1, 5], rel=1e-3)
    assert float(s["copper_J"]) == pytest.approx(wanted[-1, 8], rel=1e-3)
    assert wanted[-1, 5] < -0.01 * 0.5 * motor["inertia_kg_m2"] * omega**2  # it feeds the supply
