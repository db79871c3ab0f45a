"""The plant's numbers as flat records that compiled code reads and writes in place.

Angles: `phi` is the electrical angle measured from 30 degrees after the rising zero crossing of phase A's
    back-EMF, that is
from where step 0 (A high, B low) should begin. It is kept as (knot, u): the cell of the back-EMF table and
the angle within that cell, so that no precision is lost after many turns and the corners of the waveform are
met exactly.
"""

from typing import Any, TypeAlias

import numpy as np

Record: TypeAlias = Any
"""One element of a structured array: numba reads and writes its fields as attributes."""

OFF, HIGH, LOW = 0, 1, 2
"""What a half-bridge is told to do; the diode that conducts in an OFF leg is named by the rail it leads
to."""

SWITCHED_HIGH_SIDE, SWITCHED_COMPLEMENTARY, SWITCHED_LOW_SIDE = range(3)
"""What happens in the PWM off time: the high leg freewheels through its lower diode, or conducts to the
bottom rail; or the low leg freewheels through its upper diode."""

HALL_PLACES = 4
"""Rise and fall met turning forward, rise and fall met turning backward."""
RISE_FORWARD, FALL_FORWARD, RISE_BACKWARD, FALL_BACKWARD = range(HALL_PLACES)

SENSORS = 3
"""Room for Hall sensors; `PLANT.sensors` of them are there, and 0 means one."""
HALL_QUEUE = 8
"""Edges on their way through the sensors' delay at most."""
LOAD_ROWS = 16
"""Most rows of a load table, most load steps, and most steps of the supply."""

CURRENTS = 4
"""The currents a segment solves: into the three terminals, and round a delta."""
MODES = 3
"""Most independent currents of three coils: those of a delta with all terminals held."""
COILS, PLACES = CURRENTS, CURRENTS + 3
"""Where the coils' currents stand behind those, and how many there are."""
CONDUCTIONS = 8
"""Sets of conducting terminals; bit k of a set's number is terminal k."""

PLANT = np.dtype(
    [
        ("pole_pairs", "f8"),
        ("resistance_ohm", "f8"),
        ("switch_ohm", "f8"),
        ("inductance_H", "f8"),
        ("unequal", "i8"),
        ("more_ohm_part", "f8", (3,)),
        ("more_H_part", "f8", (3,)),
        ("ke_V_s_per_rad", "f8"),
        ("inertia_kg_m2", "f8"),
        ("coulomb_Nm", "f8"),
        ("stiction_Nm", "f8"),
        ("viscous_Nm_s_per_rad", "f8"),
        ("windage_Nm_s2_per_rad2", "f8"),
        ("fan_Nm_s2_per_rad2", "f8"),
        ("magnetic_drag_Nm", "f8"),
        ("eddy_Nm_s_per_rad", "f8"),
        ("cogging_Nm", "f8"),
        ("cogs_per_turn", "f8"),
        ("detent_rad", "f8"),
        ("load_steps", "i8"),
        ("load_step_s", "f8", (LOAD_ROWS,)),
        ("load_step_Nm", "f8", (LOAD_ROWS,)),
        ("table_rows", "i8"),
        ("table_rad_s", "f8", (LOAD_ROWS,)),
        ("table_Nm", "f8", (LOAD_ROWS,)),
        ("ambient_C", "f8"),
        ("thermal_tick_s", "f8"),
        ("thermal_hold", "f8", (2, 2)),
        ("thermal_gain_K_per_W", "f8", (2, 2)),
        ("ohm_per_K", "f8"),
        ("ke_per_K", "f8"),
        ("supply_V", "f8"),
        ("supply_steps", "i8"),
        ("supply_step_s", "f8", (LOAD_ROWS,)),
        ("supply_drop_V", "f8", (LOAD_ROWS,)),
        ("supply_ohm", "f8"),
        ("bulk_F", "f8"),
        ("sag_ohm", "f8"),
        ("sag_s", "f8"),
        ("fade_V_per_As", "f8"),
        ("diode_V", "f8"),
        ("dead_s", "f8"),
        ("trip_A", "f8"),
        ("delta", "i8"),
        ("pwm_mode", "i8"),
        ("knots", "i8"),
        ("cell_rad", "f8"),
        ("sensors", "i8"),
        ("hall_both", "i8"),
        ("hall_knot", "i8", (SENSORS, HALL_PLACES)),
        ("hall_u_rad", "f8", (SENSORS, HALL_PLACES)),
        ("hall_delay_s", "f8"),
        ("hall_jitter_s", "f8"),
        ("glitches_per_s", "f8"),
        ("glitch_s", "f8"),
        ("max_segment_rad", "f8"),
        ("max_segment_s", "f8"),
        ("window_from_s", "f8"),
    ],
    align=True,
)
"""Parameters: constant during a run; a field left at zero switches its effect off.

`resistance_ohm`, `inductance_H`: of a phase of the star, or of the star that looks like the delta. These
and `ke_V_s_per_rad` are those at ambient temperature. `unequal`: these are of coil A (A-B in a delta),
and each coil has the parts `more_ohm_part`, `more_H_part` of that in addition. `detent_rad`: electrical
angle of one cogging detent after knot 0. `supply_drop_V`: how far the supply lies below `supply_V` from
each step on. `thermal_hold`, `thermal_gain_K_per_W`: see `sim.plant.thermal`. `window_from_s`: when the
close-up recording begins."""

CIRCUIT = np.dtype(
    [
        ("modes", "i8"),
        ("mode_ohm", "f8", (MODES,)),
        ("current", "f8", (MODES, PLACES)),
        ("pick", "f8", (MODES, CURRENTS)),
        ("line_square", "f8", (MODES, MODES)),
        ("coil_square", "f8", (MODES, MODES)),
        ("copper_square", "f8", (MODES, MODES)),
        ("open_current", "f8", (3, PLACES)),
        ("open_ohm", "f8", (3, MODES)),
    ],
    align=True,
)
"""Three unequal coils with one set of terminals conducting; `sim.plant.modes` fills it and explains.

`mode_ohm`: resistance of a mode; `current`: what one ampere of it is, the CURRENTS and those of the coils;
`pick`: its amperes per ampere of each of the CURRENTS. `..._square`: what the integral of the product of two
modes adds to the integral of the squared terminal currents, of the squared coil currents, and of these times
the coil's resistance over that of coil A; each pair counts once, as (larger, smaller). `open_current`,
`open_ohm`: the voltage of an open terminal is that of `open_current` against the back-EMFs, less what the
held terminals do to it, plus `open_ohm` times the modes."""

PLANT_STATE = np.dtype(
    [
        ("t_s", "f8"),
        ("knot", "i8"),
        ("u_rad", "f8"),
        ("turns", "i8"),
        ("omega_rad_s", "f8"),
        ("alpha_rad_s2", "f8"),
        ("i_A", "f8", (3,)),
        ("round_A", "f8"),
        ("leg", "i8", (3,)),
        ("diode", "i8", (3,)),
        ("unsettled", "i8"),
        ("level", "i8"),
        ("hall", "i8"),
        ("queued", "i8"),
        ("queue_s", "f8", (HALL_QUEUE,)),
        ("queue_sensor", "i8", (HALL_QUEUE,)),
        ("queue_level", "i8", (HALL_QUEUE,)),
        ("glitch_next_s", "f8"),
        ("glitch_sensor", "i8"),
        ("glitches", "i8"),
        ("random", "i8"),
        ("step", "i8"),
        ("pwm_on", "i8"),
        ("busy", "i8"),
        ("segments", "i8"),
        ("peak_A", "f8"),
        ("square_A2s", "f8"),
        ("supply_steps_taken", "i8"),
        ("drop_V", "f8"),
        ("sag_V", "f8"),
        ("deepest_sag_V", "f8"),
        ("drawn_A_s", "f8"),
        ("polarised_V", "f8"),
        ("left_rail", "i8", (3,)),
        ("left_s", "f8", (3,)),
        ("tripped", "i8"),
        ("trips", "i8"),
        ("idle", "i8"),
        ("supply_J", "f8"),
        ("source_J", "f8"),
        ("copper_J", "f8"),
        ("switch_J", "f8"),
        ("diode_J", "f8"),
        ("friction_J", "f8"),
        ("iron_J", "f8"),
        ("load_J", "f8"),
        ("cogging_J", "f8"),
        ("next_s", "f8"),
        ("load_Nm", "f8"),
        ("load_steps_taken", "i8"),
        ("thermal_ticks", "i8"),
        ("thermal_copper_J", "f8"),
        ("thermal_board_J", "f8"),
        ("winding_rise_K", "f8"),
        ("board_rise_K", "f8"),
        ("hottest_rise_K", "f8"),
        ("warm_ohm", "f8"),
        ("ke_drift_V_s_per_rad", "f8"),
        ("circuits_for_ohm", "f8"),
        ("circuits", CIRCUIT, (CONDUCTIONS,)),
        ("window_rows", "i8"),
    ],
    align=True,
)
"""State. `alpha_rad_s2` is the mean acceleration of the last segment, the predictor of the next one.

`level`: what the magnet does to the sensors, `hall`: what their outputs show, bit n of sensor n;
`glitch_sensor`: the one disturbed at the moment plus 1, 0 for none. `busy` tells the close-up what the
processor does. `next_s`: when the plant has something to do by itself, see `sim.plant.agenda`; `idle`:
segments of no length in a row. `left_rail`, `left_s`: the rail a leg was at last, and when it was let go.
`i_A`: into the terminals; `round_A`: the part common to the three coils of a delta, see
`sim.plant.delta`; `square_A2s`: integral of the sum of the three squared coil currents. `drop_V`: how
far the supply itself lies below `supply_V` by its steps, `sag_V`: how far the voltage at the bridge
does. `..._rise_K`: above ambient; `warm_ohm`, `ke_drift_V_s_per_rad`: what the temperatures add to the
values of PLANT; `circuits`: of unequal coils, for the resistance `circuits_for_ohm`. Energies:
`supply_J` leaves the source, `source_J` of it stays in its resistance; `cogging_J`: work done against
the detents, stored."""

ROWS = CURRENTS + MODES
"""Rows of a segment's solution: the currents, then the modes of unequal coils."""

SEGMENT = np.dtype(
    [
        ("h_s", "f8"),
        ("a_A", "f8", (ROWS,)),
        ("b_A_per_s", "f8", (ROWS,)),
        ("c_A", "f8", (ROWS,)),
        ("i_end_A", "f8", (ROWS,)),
        ("bus_V", "f8"),
        ("bus_V_per_s", "f8"),
        ("v_V", "f8", (3,)),
        ("conducts", "i8", (3,)),
        ("w_start_V", "f8", (3,)),
        ("w_end_V", "f8", (3,)),
        ("shape_start", "f8", (ROWS,)),
        ("shape_end", "f8", (ROWS,)),
        ("omega_end_rad_s", "f8"),
        ("advance_rad", "f8"),
        ("charge_A_s", "f8", (ROWS,)),
        ("square_A2s", "f8"),
        ("round_A2s", "f8"),
        ("coil_A2s", "f8"),
        ("copper_A2s", "f8"),
        ("lean_A_s", "f8"),
        ("tau_s", "f8"),
        ("round_tau_s", "f8"),
        ("modal", "i8"),
        ("modes", "i8"),
        ("share", "f8", (MODES, CURRENTS)),
        ("mode_tau_s", "f8", (MODES,)),
        ("mode_left", "f8", (MODES,)),
        ("mode_area_s", "f8", (MODES,)),
        ("mode_moment_s", "f8", (MODES,)),
        ("mode_square_A2s", "f8", (MODES,)),
        ("fade_V", "f8", (3, MODES)),
        ("turning_rad", "f8"),
        ("friction_Nm", "f8"),
        ("iron_Nm", "f8"),
        ("load_Nm", "f8"),
        ("cogging_Nm", "f8"),
        ("direction", "i8"),
        ("turned_back", "i8"),
    ],
    align=True,
)
"""One trial segment of length `h_s`. Currents: i_k(t) = a + b t + c exp(-t / tau), k = 3 the one that goes
round in a delta, with its own tau; `square_A2s`, `round_A2s`: integrals of the squares of the terminals'
currents and of that. `w_...`: terminal voltages at both ends. `turning_rad`: electrical angle that it is
predicted to turn. Torques: means over the segment, against the motion but for cogging. `turned_back`: a
rotor that set off from rest in `direction` would come back within the segment.

Unequal coils (`modal`): rows 4 and on are the `modes`, each with its own tau; `share` says what of each makes
up the currents, whose own rows hold `i_end_A` and `charge_A_s` alone. `coil_A2s`, `copper_A2s`: integrals of
the squared coil currents, and of these times the coil's resistance over that of coil A. `mode_left`,
`..._area_s`, `..._moment_s`: see `Decay`. `fade_V`: what each exponential adds to an open terminal."""

WINDOW_COLUMNS = (
    "t_s",
    "i_a_A",
    "i_b_A",
    "i_c_A",
    "v_a_V",
    "v_b_V",
    "v_c_V",
    "hall",
    "step",
    "busy",
    "angle_deg",
)
"""Columns of the close-up recording. `busy`: -1 asleep, else the number of the handler that runs."""
