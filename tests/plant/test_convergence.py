"""Order of the stepper, measured as the slope of log error against log segment length."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sim.plant.emf import flat_top, sine, table, trapezoid
from sim.plant.records import SWITCHED_COMPLEMENTARY, SWITCHED_LOW_SIDE
from sim.plant.thermal import two_nodes
from tests.plant.harness import BOARD_MOTOR, FRICTION, UNEQUAL, WINDING_MOTOR, Drive, plant, run, state

FINEST_DEG = 0.25
SECONDS_PER_DEG = 6.25e-6
"""Lengths in time are refined with those in angle: at a start from rest they are the shorter ones."""
END_S = 0.05
FLOOR = 5e-11
"""Corners count as reached within 1e-6 rad, at random. A trapezoid's kinks leave up to 1e-9 of that over
tens of corners on tens of radians; the kinks of a finely tabulated sine are so much smaller."""

BOARD = {**BOARD_MOTOR, **FRICTION}
NODES = (4.0, 10.0, 0.01, 0.02)
"""Winding and board that are 20 K warmer after `END_S`."""


def warming(tick_s: float) -> dict[str, Any]:
    """Fields of PLANT for copper and magnets that drift with the temperature."""
    hold, gain = two_nodes(*NODES, tick_s)
    return {
        "thermal_tick_s": tick_s, "thermal_hold": hold, "thermal_gain_K_per_W": gain,
        "ohm_per_K": 0.00393 * BOARD["resistance_ohm"], "ke_per_K": -0.001 * BOARD["ke_V_s_per_rad"],
    }  # fmt: skip


BATTERY = {"supply_ohm": 0.4, "bulk_F": 1e-3, "sag_ohm": 0.3, "sag_s": 0.02, "fade_V_per_As": 0.5}
CHOPPED = Drive(pwm_s=1e-3, duty=0.7)
TRIPPED: tuple[dict[str, Any], Drive] = ({**WINDING_MOTOR, "trip_A": 6.0}, Drive(pwm_s=1e-3, duty=0.9))
"""Trips in most of 50 periods. The current takes longer to the threshold than the segments last: where the
events alone cut the time to pieces (the board motor trips after 10 us), nothing converges with the length."""
# Motor, drive and the coarsest of four lengths, each half the one before. 60 degrees is the longest there
# is, a cell of the back-EMF table; where a freewheel or the swing of a held rotor takes a part of a cell,
# the order shows from 15 degrees on.
CASES: dict[str, tuple[dict[str, Any], Drive, float]] = {
    "board motor with friction": (BOARD, Drive(), 60.0),
    "four times the inductance": ({**BOARD, "inductance_H": 50e-6}, Drive(), 60.0),
    "unloaded, one step ahead": (BOARD_MOTOR, Drive(lead=1), 60.0),
    "chopped at 1 kHz": (BOARD, CHOPPED, 60.0),
    "low side chopped": ({**BOARD, "pwm_mode": SWITCHED_LOW_SIDE}, CHOPPED, 60.0),
    "both chopped, dead time": (
        {**BOARD, "pwm_mode": SWITCHED_COMPLEMENTARY, "dead_s": 2e-5},
        CHOPPED,
        60.0,
    ),
    "freewheel beyond 30 degrees": (WINDING_MOTOR, Drive(), 15.0),
    "held step, swinging rotor": (BOARD, Drive(step=0), 15.0),
    "detents": ({**BOARD, "cogging_Nm": 5e-5, "cogs_per_turn": 12, "detent_rad": 0.3}, Drive(), 20.0),
    "a load table": (
        {**BOARD, "table_rows": 2, "table_rad_s": [0.0, 900.0], "table_Nm": [1e-5, 9e-5]},
        Drive(),
        60.0,
    ),
    "iron": ({**BOARD, "magnetic_drag_Nm": 2e-5, "eddy_Nm_s_per_rad": 3e-8}, Drive(), 60.0),
    "over-current trip": (*TRIPPED, 15.0),
    "thermal ticks": ({**BOARD, **warming(1e-3)}, Drive(), 60.0),
    "battery": ({**BOARD, **BATTERY}, Drive(), 60.0),
    "battery, chopped": ({**BOARD, **BATTERY}, CHOPPED, 8.0),
    "steps of the supply": (
        {**BOARD, "supply_steps": 2, "supply_step_s": [0.011, 0.027], "supply_drop_V": [3.0, -1.0]},
        Drive(),
        60.0,
    ),
    "unequal coils": ({**BOARD, **UNEQUAL}, Drive(), 60.0),
    "unequal coils, chopped": ({**BOARD, **UNEQUAL}, CHOPPED, 60.0),
    "unequal coils, freewheel beyond 30 degrees": ({**WINDING_MOTOR, **UNEQUAL}, Drive(), 7.5),
}


def angle_and_speed(
    motor: dict[str, Any], drive: Drive, length_deg: float, shapes: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Electrical angle and speed at `END_S`."""
    knots = len(shapes) - 1
    p = plant(
        max_segment_deg=length_deg, max_segment_s=SECONDS_PER_DEG * length_deg, knots=knots, **motor
    )  # fmt: skip
    return run(p, state(20.0, knots), drive, END_S, shapes)[0, [2, 1]]


TRAPEZOID = trapezoid()
# Motor, waveform and the coarsest length; cells are 60, 30 and 10 degrees long. A delta's motor has a third
# of the board motor's resistance and inductance in each phase of the star alike, so coils like those of the
# board motor.
THIRD = {**BOARD, "delta": 1, "resistance_ohm": 1.75 / 3.0, "inductance_H": 12.5e-6 / 3.0}
WAVES: dict[str, tuple[dict[str, Any], NDArray[np.float64], float]] = {
    "sine": (BOARD, table(sine(36), 36), 10.0),
    "one coil weaker": (BOARD, table(flat_top, 6, (1.0, 0.9, 1.05)), 60.0),
    "delta of trapezoids": (THIRD, table(flat_top, 12, delta=True), 15.0),
    "delta of sines": (THIRD, table(sine(36), 36, delta=True), 10.0),
    "sine, unequal coils": ({**BOARD, **UNEQUAL}, table(sine(36), 36), 10.0),
    "delta of trapezoids, unequal coils": ({**THIRD, **UNEQUAL}, table(flat_top, 12, delta=True), 15.0),
}


def slope(motor: dict[str, Any], drive: Drive, coarsest_deg: float, shapes: NDArray[np.float64]) -> float:
    """Slope of log error against log length over four lengths."""
    truth = angle_and_speed(motor, drive, FINEST_DEG, shapes)
    lengths_deg = coarsest_deg / 2.0 ** np.arange(4)
    runs = [angle_and_speed(motor, drive, length_deg, shapes) for length_deg in lengths_deg]
    errors = np.array([np.abs(run_ / truth - 1.0).max() for run_ in runs])
    assert errors.min() > FLOOR
    return float(np.polyfit(np.log(lengths_deg), np.log(errors), 1)[0])


@pytest.mark.parametrize("case", CASES)
def test_the_stepper_is_of_second_order(case: str) -> None:
    motor, drive, coarsest_deg = CASES[case]
    assert slope(motor, drive, coarsest_deg, TRAPEZOID) == pytest.approx(
        2.0, abs=0.3
    )  # tells it from 1.5 and 2.5


@pytest.mark.parametrize("case", WAVES)
def test_it_is_so_for_every_waveform_and_connection(case: str) -> None:
    motor, shapes, coarsest_deg = WAVES[case]
    assert slope(motor, Drive(), coarsest_deg, shapes) == pytest.approx(2.0, abs=0.3)


def test_the_case_of_trips_trips() -> None:
    motor, drive = TRIPPED
    trips = []
    for length_deg in (15.0, FINEST_DEG):
        s = state(20.0)
        run(plant(length_deg, SECONDS_PER_DEG * length_deg, **motor), s, drive, END_S)
        trips.append(int(s["trips"]))
    assert trips[0] == trips[1] > 25


def test_the_state_of_a_battery_is_of_second_order() -> None:
    def end(length_deg: float) -> NDArray[np.float64]:
        p, s = plant(length_deg, SECONDS_PER_DEG * length_deg, **BOARD, **BATTERY), state(20.0)
        run(p, s, Drive(), END_S)
        return np.array([float(s[name]) for name in ("sag_V", "polarised_V", "supply_J", "source_J")])

    truth, lengths_deg = end(FINEST_DEG), np.array([60.0, 30.0, 15.0, 7.5])
    errors = np.array([np.abs(end(length_deg) / truth - 1.0).max() for length_deg in lengths_deg])
    assert np.polyfit(np.log(lengths_deg), np.log(errors), 1)[0] == pytest.approx(2.0, abs=0.3)


@pytest.mark.parametrize("coils", [{}, UNEQUAL])
def test_temperatures_are_of_second_order_in_their_tick(coils: dict[str, Any]) -> None:
    def end(ticks: int) -> NDArray[np.float64]:
        motor = {**BOARD, **coils, **warming(END_S / ticks)}
        p, s = plant(max_segment_deg=2.0, max_segment_s=2e-5, **motor), state(20.0)
        omega = run(p, s, Drive(), END_S * (1.0 + 1e-9))[0, 1]  # just past the last tick
        warm = [float(s[name]) for name in ("winding_rise_K", "board_rise_K", "copper_J")]
        return np.array([omega, *warm])

    truth, ticks = end(640), np.array([5, 10, 20, 40])
    assert truth[1] > 10.0  # K: warm enough to tell
    errors = np.array([np.abs(end(count) / truth - 1.0).max() for count in ticks])
    assert np.polyfit(np.log(1.0 / ticks), np.log(errors), 1)[0] == pytest.approx(2.0, abs=0.3)
