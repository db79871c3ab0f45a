"""Closed forms of the two-node thermal model: where temperatures end, and what current they allow for good.

Node balance (sim/plant/thermal.py) without storage: T_w = T_a + (R_wb + R_ba) P_w + R_ba P_b, with copper
loss P_w = n i^2 R20 (1 + a (T_w - 20)), a of IEC 60028, and P_b = n i^2 R_switch; the diodes' part of P_b is
left out.
"""

import math

from sim.design import Design, Motor
from sim.run.plant_records import REFERENCE_C, more_ohm_parts

COILS = 3
TERMINALS = 2
"""Terminals that carry current at a time in six-step drive."""
COIL_SQUARES = {"wye": 2.0, "delta": 2.0 / 3.0}
"""Sum of the squared coil currents over the square of the current through two terminals."""
LINE_SQUARES = {"wye": 1.0, "delta": 3.0}
"""Sum of the squared terminal currents over that of the coils', with none going round."""


def _resistances_K_per_W(design: Design) -> tuple[float, float]:
    """Winding to ambient, and board to ambient; only for a design with a thermal model."""
    thermal = design.thermal
    assert thermal.winding_to_board_K_per_W is not None
    assert thermal.board_to_ambient_K_per_W is not None
    out = thermal.board_to_ambient_K_per_W
    return thermal.winding_to_board_K_per_W + out, out


def mean_coil_ohm(motor: Motor) -> float:
    """Mean resistance of the three coils at 20 C: unequal ones are taken to carry the same current, as those
    of a star do over six steps."""
    return motor.phase_resistance_ohm * (1.0 + sum(more_ohm_parts(motor)) / COILS)


def steady_winding_C(design: Design, rms_phase_A: float) -> float:
    """Temperature the winding ends at with this current in all three coils; infinite where the growing
    resistance brings in heat faster than the board sheds it (thermal runaway)."""
    thermal, square = design.thermal, COILS * rms_phase_A**2
    whole, out = _resistances_K_per_W(design)
    cold_W = square * mean_coil_ohm(design.motor)
    feedback = whole * cold_W * thermal.copper_per_K
    if feedback >= 1.0:
        return math.inf
    line_square = LINE_SQUARES[design.motor.connection] * square
    switches_K = out * line_square * design.drive.switch_on_resistance_ohm
    return (thermal.ambient_C + whole * cold_W + switches_K - feedback * REFERENCE_C) / (1.0 - feedback)


def continuous_A(design: Design) -> tuple[float, float]:
    """Current through two terminals that keeps the winding at its limit [A], and the board's temperature then
    [C]; infinite where nothing warms up."""
    thermal = design.thermal
    if not thermal.is_modelled:
        return math.inf, thermal.ambient_C
    whole, out = _resistances_K_per_W(design)
    hot_ohm = mean_coil_ohm(design.motor) * (
        1.0 + thermal.copper_per_K * (thermal.winding_limit_C - REFERENCE_C)
    )
    switch_ohm = design.drive.switch_on_resistance_ohm
    room_K = max(0.0, thermal.winding_limit_C - thermal.ambient_C)
    coil_ohm = COIL_SQUARES[design.motor.connection] * hot_ohm
    square = room_K / (whole * coil_ohm + out * TERMINALS * switch_ohm)
    board_K = out * square * (coil_ohm + TERMINALS * switch_ohm)
    return math.sqrt(square), thermal.ambient_C + board_K
