"""Temperatures against closed forms, a general-purpose solver and printed time constants."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from sim.design.motor_sections import Thermal
from sim.plant.records import Record
from sim.plant.thermal import two_nodes
from tests.plant.harness import BOARD_MOTOR, IDEAL, Drive, HELD_Nm, plant, run, state

PATH_OHM = 2.0 * (BOARD_MOTOR["resistance_ohm"] + BOARD_MOTOR["switch_ohm"])
STALL_A = BOARD_MOTOR["supply_V"] / PATH_OHM
COPPER_W = 2.0 * BOARD_MOTOR["resistance_ohm"] * STALL_A**2
SWITCH_W = 2.0 * BOARD_MOTOR["switch_ohm"] * STALL_A**2
RISE_J = BOARD_MOTOR["inductance_H"] * STALL_A**2 * 2.0
"""What the 7 us in which the current rises leave out, as energy: 1e-5 of the joules of a second."""


def warming(nodes: tuple[float, float, float, float], tick_s: float, **values: float) -> Record:
    """PLANT record of a held rotor whose winding warms."""
    hold, gain = two_nodes(*nodes, tick_s)
    return plant(
        stiction_Nm=HELD_Nm, thermal_tick_s=tick_s, thermal_hold=hold, thermal_gain_K_per_W=gain, **values
    )


def test_a_winding_on_a_cold_plate_follows_one_exponential() -> None:
    # T = P R (1 - exp(-t / R C)); a board of 1e9 J/K stays cold.
    p, s = warming((20.0, 1.0, 0.05, 1e9), 0.01), state()
    for at_s in (0.5, 1.0, 3.0):
        run(p, s, Drive(step=0), at_s + 1e-9)  # just past the tick
        expected = COPPER_W * 20.0 * -math.expm1(-at_s / 1.0)
        # The current's rise, RISE_J of some joules.
        assert float(s["winding_rise_K"]) == pytest.approx(expected, rel=3e-5)


def test_two_nodes_end_where_both_resistances_add_up() -> None:
    p, s = warming((20.0, 30.0, 0.01, 0.02), 0.01), state()
    run(p, s, Drive(step=0), 20.0)
    assert float(s["winding_rise_K"]) == pytest.approx(50.0 * COPPER_W + 30.0 * SWITCH_W, rel=1e-5)
    assert float(s["board_rise_K"]) == pytest.approx(30.0 * (COPPER_W + SWITCH_W), rel=1e-5)


# Printed time constants (coreless motor A, order no. 118743, README of "Phantom Hardware"): 3.1 K/W and 12 s
# of the winding, 14 K/W and 612 s of the housing; the 8 mm motor G: 20 K/W, 4.2 s and 48 K/W, 242 s.
PRINTED = {"A": (3.1, 14.0, 12.0, 612.0), "G": (20.0, 48.0, 4.2, 242.0)}


@pytest.mark.parametrize("name", PRINTED)
def test_printed_time_constants_show_in_the_step_response(name: str) -> None:
    across, out, tau_w_s, tau_b_s = PRINTED[name]
    nodes = (across, out, tau_w_s / across, tau_b_s / out)
    one_W = np.array([1.0, 0.0])

    def rise_K(at_s: float) -> float:
        hold, gain = two_nodes(*nodes, at_s)
        assert hold[0, 0] < 1.0
        return float((gain @ one_W)[0])

    # A maker measures the winding's constant before the housing has warmed (C_b over C_w is 11 and 24).
    early = rise_K(tau_w_s) / across
    assert early == pytest.approx(-math.expm1(-1.0), abs=0.05)
    # And the housing's when the winding has long followed: both capacities fill through one resistance, which
    # makes the constant longer by C_w over C_b, 9 and 4 %.
    late = (rise_K(tau_b_s) - across) / out
    both_s = (nodes[2] + nodes[3]) * out
    assert late == pytest.approx(-math.expm1(-tau_b_s / both_s), abs=0.02)
    assert rise_K(50.0 * tau_b_s) == pytest.approx(across + out, rel=1e-9)


@pytest.mark.parametrize("tick_s", [1e-3, 0.3, 40.0])
def test_a_tick_is_the_matrix_exponential(tick_s: float) -> None:
    across, out, winding, board = 7.0, 25.0, 0.4, 9.0
    rate = np.array(
        [
            [-1 / across / winding, 1 / across / winding],
            [1 / across / board, -(1 / across + 1 / out) / board],
        ]
    )
    block = np.zeros((4, 4))
    block[:2, :2], block[:2, 2:] = rate, np.diag([1 / winding, 1 / board])
    wanted = expm(block * tick_s)
    hold, gain = two_nodes(across, out, winding, board, tick_s)
    np.testing.assert_allclose(hold, wanted[:2, :2], rtol=1e-9, atol=1e-12)  # both to rounding
    np.testing.assert_allclose(gain, wanted[:2, 2:], rtol=1e-9, atol=1e-12)


def test_warm_copper_takes_less_current_as_the_solver_says() -> None:
    # A held rotor on 5 V: P_w = 2 R(T) i^2, i = V / (2 R(T) + 2 R_switch). IEC 60028: 0.00393 per K.
    ohm, switch, volts = BOARD_MOTOR["resistance_ohm"], BOARD_MOTOR["switch_ohm"], BOARD_MOTOR["supply_V"]
    nodes = (20.0, 30.0, 0.05, 0.5)

    def rates(_t: float, rise: np.ndarray) -> list[float]:
        warm = ohm * (1.0 + 0.00393 * rise[0])
        square = (volts / (2.0 * (warm + switch))) ** 2
        flow = (rise[0] - rise[1]) / nodes[0]
        return [
            (2.0 * warm * square - flow) / nodes[2],
            (2.0 * switch * square + flow - rise[1] / nodes[1]) / nodes[3],
        ]

    end_s = 3.0
    wanted = solve_ivp(rates, (0.0, end_s), [0.0, 0.0], rtol=1e-9, atol=1e-9).y[:, -1]
    p, s = warming(nodes, 0.005, ohm_per_K=ohm * 0.00393), state()
    samples = run(p, s, Drive(step=0), end_s + 1e-9)
    # The resistance of a tick is that of its middle: second order, ticks of 0.005 s on time constants of a
    # second and more. That of its start would be half a tick late, 3e-3.
    assert float(s["winding_rise_K"]) == pytest.approx(wanted[0], rel=1e-5)
    assert float(s["board_rise_K"]) == pytest.approx(wanted[1], rel=1e-5)
    hot_ohm = 2.0 * (ohm * (1.0 + 0.00393 * wanted[0]) + switch)
    assert samples[0, 3] == pytest.approx(volts / hot_ohm, rel=1e-3)
    assert wanted[0] > 100.0  # warm enough to tell


def test_warm_magnets_let_the_unloaded_motor_run_faster() -> None:
    # n0 = V / (2 ke): ke falls with the board's temperature, here held at +50 K by its own heat capacity.
    hold, gain = two_nodes(20.0, 1e6, 0.05, 1e9, 0.01)
    p = plant(
        inductance_H=1e-9, inertia_kg_m2=3e-9, thermal_tick_s=0.01, thermal_hold=hold,
        thermal_gain_K_per_W=gain, ke_per_K=-0.0012 * BOARD_MOTOR["ke_V_s_per_rad"],
    )  # fmt: skip
    s = state(board_rise_K=50.0)
    omega = run(p, s, IDEAL, 1.0)[0, 1]
    ke = BOARD_MOTOR["ke_V_s_per_rad"] * (1.0 - 0.0012 * 50.0)
    assert omega == pytest.approx(BOARD_MOTOR["supply_V"] / (2.0 * ke), rel=1e-4)


@pytest.mark.parametrize(
    ("celsius", "ratio"), [(60, 1.157), (90, 1.275), (105, 1.334), (130, 1.432), (155, 1.531)]
)
def test_the_default_of_copper_is_that_of_the_standard(celsius: float, ratio: float) -> None:
    # IEC 60028 (annealed copper): 0.00393 per K at 20 C (Industrial Power Engineering Handbook, table 30.1).
    assert 1.0 + (celsius - 20.0) * Thermal().copper_per_K == pytest.approx(ratio, abs=6e-4)  # printed digits
