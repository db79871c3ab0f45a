"""The close-up recording: waveforms between events, evaluated from the closed form."""

import math

from controllers.jit import kernel
from sim.plant.records import Record
from sim.plant.segment import current_A, terminal_V

POINTS_PER_SEGMENT = 6
"""Rows written per segment; enough to draw the exponentials smoothly."""


@kernel
def record_window(p: Record, s: Record, w: Record, window: Record) -> None:
    """Write rows of WINDOW_COLUMNS for the trial segment about to be committed; stops silently when `window`
    is full. Terminal voltages are those at the motor, behind the switch: of a floating terminal its back-EMF
    shows.

    The caller sizes `window` for the electrical turns it wants to see: running full is the normal end of a
    close-up.
    """
    cell_deg = math.degrees(p.cell_rad)
    for point in range(POINTS_PER_SEGMENT):
        row = s.window_rows
        if row >= window.shape[0]:
            return
        part = (point + 0.5) / POINTS_PER_SEGMENT
        t_s = part * w.h_s
        window[row, 0] = s.t_s + t_s
        for k in range(3):
            current = current_A(w, k, t_s)
            window[row, 1 + k] = current
            window[row, 4 + k] = terminal_V(w, k, part) - p.switch_ohm * current
        window[row, 7] = s.hall
        window[row, 8] = s.step
        window[row, 9] = s.busy
        window[row, 10] = s.knot * cell_deg + math.degrees(s.u_rad + part * w.advance_rad)
        s.window_rows += 1
