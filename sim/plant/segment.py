"""One segment of the motion in closed form.

Over a segment the set of conducting terminals is fixed and the back-EMF is taken as linear in time, from its
value at the start to its value at the predicted end. Each phase (each mode, where the coils are unequal:
`sim.plant.unequal`) then obeys L di/dt + R i = g0 + g1 t, whose solution i(t) = a + b t + c exp(-t / tau) is
exact, as are its integrals: charge, torque impulse (shape linear, too), its first moment, and heat. Speed and
angle follow from impulse and moment; order 2 in the segment length (tests/plant/test_convergence.py measures
it).
"""

import math

from controllers.jit import kernel
from sim.plant.circuit import conduction, neutral_V
from sim.plant.delta import ROUND, round_drive_A
from sim.plant.drag import cogging_mean_Nm, friction_Nm, iron_Nm, load_Nm
from sim.plant.first_order import decay, solve_row
from sim.plant.present import bus_V, ke_V_s_per_rad, path_ohm, winding_ohm
from sim.plant.records import Record
from sim.plant.unequal import bent_V, modal_A, unequal_currents

# Decision: factors that are constant in a run are written as reciprocals (1 / cell, 1 / inertia). A division
# takes as long as four products, and a segment is one chain of operations; the reciprocals are computed
# beside that chain.


@kernel
def start_shapes(p: Record, s: Record, w: Record, shape: Record) -> None:
    """Back-EMF shapes of the three phases at the segment's start."""
    x = s.u_rad * (1.0 / p.cell_rad)
    for k in range(3 + p.delta):
        low = shape[s.knot, k]
        w.shape_start[k] = low + (shape[s.knot + 1, k] - low) * x


@kernel
def _predict(p: Record, s: Record, w: Record, shape: Record, h_s: float) -> float:
    """Fill the shapes at the predicted end; returns the predicted speed there."""
    alpha = s.alpha_rad_s2 if w.direction != 0 else 0.0
    w.turning_rad = p.pole_pairs * h_s * (s.omega_rad_s + 0.5 * alpha * h_s)
    x = (s.u_rad + w.turning_rad) * (1.0 / p.cell_rad)
    for k in range(3 + p.delta):
        low = shape[s.knot, k]
        w.shape_end[k] = low + (shape[s.knot + 1, k] - low) * x
    return s.omega_rad_s + alpha * h_s


@kernel
def _no_current(w: Record, k: int) -> None:
    """A phase that floats carries nothing."""
    w.a_A[k] = 0.0
    w.b_A_per_s[k] = 0.0
    w.c_A[k] = 0.0
    w.i_end_A[k] = 0.0
    w.charge_A_s[k] = 0.0


@kernel
def _currents(p: Record, s: Record, w: Record, omega_end: float) -> float:
    """Solve the three phases; returns the torque impulse [N m s]."""
    ke = ke_V_s_per_rad(p, s)
    start, end = ke * s.omega_rad_s, ke * omega_end
    count = conduction(p, s, w)
    w.modal = p.unequal
    if p.unequal:
        return ke * unequal_currents(p, s, w, start, end)
    f0, f1 = w.shape_start, w.shape_end
    star_start_V = neutral_V(w, count, start * f0[0], start * f0[1], start * f0[2])
    star_end_V = neutral_V(w, count, end * f1[0], end * f1[1], end * f1[2])
    per_ohm = 1.0 / path_ohm(p, s)
    w.tau_s = p.inductance_H * per_ohm
    fall = decay(w.h_s, w.tau_s)
    w.square_A2s, w.lean_A_s = 0.0, 0.0
    impulse = 0.0
    for k in range(3):
        e_start_V, e_end_V = start * f0[k], end * f1[k]
        if w.conducts[k] and count > 1:
            g0_A = (w.v_V[k] - star_start_V - e_start_V) * per_ohm
            g1_A = (w.v_V[k] - star_end_V - e_end_V) * per_ohm
            impulse += solve_row(w, k, s.i_A[k], g0_A, g1_A, fall)
        else:
            _no_current(w, k)
        w.w_start_V[k] = w.v_V[k] if w.conducts[k] else star_start_V + e_start_V
        w.w_end_V[k] = w.v_V[k] if w.conducts[k] else star_end_V + e_end_V
    if p.delta:
        impulse += _round(p, s, w, start, end)
    return ke * impulse


@kernel
def _round(p: Record, s: Record, w: Record, start: float, end: float) -> float:
    """Solve the current that goes round in a delta; returns its torque impulse over ke."""
    line_A2s = w.square_A2s
    w.round_tau_s = p.inductance_H / winding_ohm(p, s)
    g0_A = round_drive_A(p, s, start * w.shape_start[ROUND])
    g1_A = round_drive_A(p, s, end * w.shape_end[ROUND])
    impulse = solve_row(w, ROUND, s.round_A, g0_A, g1_A, decay(w.h_s, w.round_tau_s))
    w.round_A2s = w.square_A2s - line_A2s
    w.square_A2s = line_A2s
    return impulse


@kernel
def _torques(p: Record, s: Record, w: Record, omega_end: float) -> float:
    """Fill the mean torques of drag, load and detents; returns their sum, positive against the motion."""
    middle = 0.5 * (s.omega_rad_s + omega_end)
    w.friction_Nm = friction_Nm(p, middle, w.direction)
    w.iron_Nm = iron_Nm(p, middle, w.direction)
    w.load_Nm = load_Nm(p, middle, w.direction, s.load_Nm)
    w.cogging_Nm = 0.0
    if p.cogging_Nm != 0.0:
        w.cogging_Nm = cogging_mean_Nm(p, s, w.turning_rad)
    return w.friction_Nm + w.iron_Nm + w.load_Nm - w.cogging_Nm


@kernel
def trial(p: Record, s: Record, w: Record, shape: Record, h_s: float) -> None:
    """Solve the segment of length `h_s` from state `s` into `w`; `s` is left as it was. Needs
    `w.direction`."""
    w.h_s = h_s
    w.turned_back = False
    w.bus_V = bus_V(p, s) + 0.5 * h_s * w.bus_V_per_s
    omega_end = _predict(p, s, w, shape, h_s)
    impulse = _currents(p, s, w, omega_end)
    if w.direction == 0:
        w.friction_Nm, w.iron_Nm, w.load_Nm, w.cogging_Nm = 0.0, 0.0, 0.0, 0.0
        w.omega_end_rad_s, w.advance_rad = 0.0, 0.0
        return
    per_inertia = 1.0 / p.inertia_kg_m2
    against = _torques(p, s, w, omega_end)
    w.omega_end_rad_s = s.omega_rad_s + (impulse - against * h_s) * per_inertia
    w.turned_back = s.omega_rad_s == 0.0 and w.omega_end_rad_s * w.direction < 0.0
    if w.turned_back:
        w.omega_end_rad_s = 0.0
    early = ke_V_s_per_rad(p, s) * w.lean_A_s * per_inertia
    w.advance_rad = p.pole_pairs * h_s * (0.5 * (s.omega_rad_s + w.omega_end_rad_s) + early)


@kernel
def no_segment(s: Record, w: Record) -> None:
    """A segment of no length: an event at the very start of a trial leaves the state as it is."""
    w.h_s = 0.0
    w.modes = 0
    w.square_A2s, w.coil_A2s, w.copper_A2s = 0.0, 0.0, 0.0
    w.omega_end_rad_s = s.omega_rad_s
    w.advance_rad = 0.0
    for k in range(3):
        _no_current(w, k)
        w.i_end_A[k] = s.i_A[k]
    w.i_end_A[ROUND] = s.round_A
    w.round_A2s = 0.0


@kernel
def phase_A(w: Record, k: int, t_s: float) -> tuple[float, float]:
    """Current of phase `k` of equal coils [A] and its rate of change [A/s], `t_s` after the start of the
    segment."""
    fading = w.c_A[k] * math.exp(-t_s / w.tau_s)
    return w.a_A[k] + w.b_A_per_s[k] * t_s + fading, w.b_A_per_s[k] - fading / w.tau_s


@kernel
def current_A(w: Record, k: int, t_s: float) -> float:
    """Current of phase `k`, `t_s` after the start of the segment in `w`."""
    return modal_A(w, k, t_s)[0] if w.modal else phase_A(w, k, t_s)[0]


@kernel
def round_A(w: Record, t_s: float) -> float:
    """Current that goes round in a delta of equal coils, `t_s` after the start of the segment in `w`."""
    return w.a_A[ROUND] + w.b_A_per_s[ROUND] * t_s + w.c_A[ROUND] * math.exp(-t_s / w.round_tau_s)


@kernel
def terminal_V(w: Record, k: int, part: float) -> float:
    """Voltage of terminal `k` before the switch's resistance, `part` (0..1) of the segment in `w` on."""
    line_V = w.w_start_V[k] + part * (w.w_end_V[k] - w.w_start_V[k])
    return line_V + bent_V(w, k, part) if w.modal and not w.conducts[k] else line_V


@kernel
def torque_Nm(p: Record, s: Record, shapes: Record) -> float:
    """Air-gap torque: ke times the sum of shape times current (power e i over speed)."""
    i = s.i_A
    drive = shapes[0] * i[0] + shapes[1] * i[1] + shapes[2] * i[2]
    if p.delta:
        drive += shapes[ROUND] * s.round_A
    return ke_V_s_per_rad(p, s) * drive
