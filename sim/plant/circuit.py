"""Which terminals conduct: driven half-bridges, freewheel diodes, the floating phase and its re-conduction.

Sign convention: a phase current is positive into the motor. Each conducting path is taken as phase
resistance plus one switch on-resistance, the diode's as well (plus its drop): with equal coils the three
phase equations then decouple, and their solution is exact (unequal coils: `sim.plant.modes`). Doubt: a real
diode has less slope resistance than a cheap switch; the difference is in the millivolts of the freewheel.
"""

from controllers.jit import kernel
from sim.plant.present import bus_V, ke_V_s_per_rad
from sim.plant.records import HIGH, LOW, OFF, SWITCHED_COMPLEMENTARY, SWITCHED_LOW_SIDE, Record
from sim.plant.unequal import open_start_V

REVERSE_MARGIN_V = 1e-7
"""A floating terminal must pass a diode's threshold by this much: keeps a diode from flickering at the
threshold itself."""

# Step k of the six-step sequence, 60 electrical degrees each from phi = 0: the leg that is high, the one that
# is low.
STEP_HIGH = (0, 0, 1, 1, 2, 2)
STEP_LOW = (1, 2, 2, 0, 0, 1)
STEPS = 6

_SHARE = (0.0, 1.0, 1.0 / 2.0, 1.0 / 3.0)
"""One over the number of terminals that conduct."""


@kernel
def _asked(p: Record, s: Record, k: int) -> int:
    """What the step and the PWM want leg `k` to do; any step beyond 5 switches all off."""
    if s.step >= STEPS:
        return OFF
    on = s.pwm_on and not s.tripped
    if STEP_LOW[s.step] == k:
        return LOW if on or p.pwm_mode != SWITCHED_LOW_SIDE else OFF
    if STEP_HIGH[s.step] != k:
        return OFF
    if on or p.pwm_mode == SWITCHED_LOW_SIDE:
        return HIGH
    return LOW if p.pwm_mode == SWITCHED_COMPLEMENTARY else OFF


@kernel
def set_legs(p: Record, s: Record) -> None:
    """Tell the half-bridges what step `s.step`, the PWM state `s.pwm_on` and the trip `s.tripped` mean.

    A leg changes from one rail to the other through both switches off for the dead time; until then the
    agenda (`s.next_s`) asks again.
    """
    for k in range(3):
        leg = _asked(p, s, k)
        if leg != s.leg[k] and s.leg[k] != OFF:
            s.left_rail[k], s.left_s[k] = s.leg[k], s.t_s
        crosses = leg != OFF and s.left_rail[k] != OFF and leg != s.left_rail[k]
        if crosses and s.t_s < s.left_s[k] + p.dead_s:
            s.next_s = min(s.next_s, s.left_s[k] + p.dead_s)
            leg = OFF
        if leg != s.leg[k]:
            s.leg[k] = leg
            s.diode[k] = OFF
            s.unsettled = 1


@kernel
def _rail_V(bus_V: float, diode_V: float, leg: int, diode: int) -> float:
    """Voltage that a conducting terminal is held at."""
    if leg == HIGH:
        return bus_V
    if leg == LOW:
        return 0.0
    if diode == HIGH:
        return bus_V + diode_V
    return -diode_V


@kernel
def conduction(p: Record, s: Record, w: Record) -> int:
    """Fill `w.conducts` and `w.v_V` from the legs and diodes; returns how many terminals conduct. Needs
    `w.bus_V`."""
    count = 0
    for k in range(3):
        on = s.leg[k] != OFF or s.diode[k] != OFF
        w.conducts[k] = on
        if on:
            count += 1
            w.v_V[k] = _rail_V(w.bus_V, p.diode_V, s.leg[k], s.diode[k])
    return count


@kernel
def neutral_V(w: Record, count: int, e_a: float, e_b: float, e_c: float) -> float:
    """Star-point voltage for the back-EMFs given.

    Mean of v - e over the conducting terminals (the currents sum to zero). With none conducting the star
    point is placed so that the highest and the lowest terminal reach their diodes together, as they must.
    """
    if count == 0:
        return 0.5 * (w.bus_V - max(e_a, e_b, e_c) - min(e_a, e_b, e_c))
    total = 0.0
    if w.conducts[0]:
        total += w.v_V[0] - e_a
    if w.conducts[1]:
        total += w.v_V[1] - e_b
    if w.conducts[2]:
        total += w.v_V[2] - e_c
    return total * _SHARE[count]


@kernel
def _beyond_V(p: Record, w: Record, terminal_V: float) -> float:
    """How far a terminal lies beyond the diode of the nearer rail."""
    return max(terminal_V - w.bus_V, -terminal_V) - p.diode_V


@kernel
def _open_V(p: Record, s: Record, w: Record, count: int) -> None:
    """Fill `w.w_start_V` of the open terminals."""
    ke_omega = ke_V_s_per_rad(p, s) * s.omega_rad_s
    if p.unequal:
        open_start_V(s, w, ke_omega)
        return
    e_a, e_b, e_c = ke_omega * w.shape_start[0], ke_omega * w.shape_start[1], ke_omega * w.shape_start[2]
    star_V = neutral_V(w, count, e_a, e_b, e_c)
    for k in range(3):
        if not w.conducts[k]:
            w.w_start_V[k] = star_V + ke_omega * w.shape_start[k]


@kernel
def _turn_on_furthest(p: Record, s: Record, w: Record) -> tuple[bool, int]:
    """Turn on the diode of the floating terminal furthest beyond a rail; returns whether there was one, and
    how many terminals conducted before."""
    count = conduction(p, s, w)
    _open_V(p, s, w, count)
    furthest, by_V, upper = -1, REVERSE_MARGIN_V, False
    for k in range(3):
        terminal_V = w.w_start_V[k]
        if not w.conducts[k] and _beyond_V(p, w, terminal_V) > by_V:
            furthest, by_V, upper = k, _beyond_V(p, w, terminal_V), terminal_V > 0.5 * w.bus_V
    if furthest >= 0:
        s.diode[furthest] = HIGH if upper else LOW
    return furthest >= 0, count


@kernel
def settle(p: Record, s: Record, w: Record) -> None:
    """Decide the diodes after a switching: current keeps flowing, and terminals beyond a rail start to
    conduct.

    One terminal at a time, the furthest first: its diode moves the star point, and may bring the others
    back within the rails. A diode that is left alone carries nothing. Needs `w.shape_start`.
    """
    w.bus_V = bus_V(p, s)
    for k in range(3):
        if s.leg[k] == OFF and s.i_A[k] != 0.0:
            s.diode[k] = LOW if s.i_A[k] > 0.0 else HIGH
    found, count = True, 0
    while found:
        found, count = _turn_on_furthest(p, s, w)
    if count == 1:
        for k in range(3):
            s.diode[k] = OFF
    s.unsettled = 0
