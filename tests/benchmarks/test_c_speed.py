"""The arithmetic of a segment in numba and in C: `pytest -m benchmark -s` prints the ratio."""

import ctypes
import shutil
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controllers.jit import kernel
from sim.plant.emf import trapezoid
from sim.plant.records import HIGH, LOW, SEGMENT, Record
from sim.plant.segment import start_shapes, trial
from tests.plant.harness import BOARD_MOTOR, FRICTION, KNOTS, plant, state

pytestmark = [
    pytest.mark.benchmark,
    pytest.mark.skipif(shutil.which("gcc") is None, reason="needs a C compiler"),
]

SOURCE = """
#include <math.h>

typedef struct {
    double pole_pairs, ohm, henry, ke, inertia, coulomb, viscous, windage, fan, cell;
} Motor;

typedef struct {
    double u, omega, alpha, i[3], advance, heat;
} State;

/* Advances `s` by `count` segments of `h` seconds in one cell of the back-EMF table, whose ends are `low` and
   `high`; the angle stays where it is. All three terminals conduct, at `v`. */
void segments(const Motor *p, State *s, const double *v, const double *low, const double *high, double h,
              long count) {
    for (long n = 0; n < count; n++) {
        double f0[3], f1[3], g0[3], g1[3], x0 = s->u * (1.0 / p->cell);
        double turned = p->pole_pairs * h * (s->omega + 0.5 * s->alpha * h);
        double x1 = (s->u + turned) * (1.0 / p->cell), end = s->omega + s->alpha * h;
        double star0 = 0.0, star1 = 0.0;
        for (int k = 0; k < 3; k++) {
            f0[k] = low[k] + (high[k] - low[k]) * x0;
            f1[k] = low[k] + (high[k] - low[k]) * x1;
            g0[k] = v[k] - p->ke * s->omega * f0[k];
            g1[k] = v[k] - p->ke * end * f1[k];
            star0 += g0[k] * (1.0 / 3.0);
            star1 += g1[k] * (1.0 / 3.0);
        }
        double per_h = 1.0 / h, tau = p->henry / p->ohm, left = exp(-h / tau), per_ohm = 1.0 / p->ohm;
        double area = tau * (1.0 - left), moment1 = tau * (area * per_h - left);
        double second1 = tau * (2.0 * moment1 * per_h - left), square1 = 0.5 * area * (1.0 + left);
        double impulse = 0.0, lean = 0.0, heat = 0.0;
        for (int k = 0; k < 3; k++) {
            double start = (g0[k] - star0) * per_ohm, rise = (g1[k] - star1) * per_ohm - start;
            double a = start - tau * rise * per_h, c = s->i[k] - a;
            double charge = h * (a + 0.5 * rise) + c * area;
            double moment = h * (0.5 * a + rise / 3.0) + c * moment1;
            double second = h * (a / 3.0 + 0.25 * rise) + c * second1, change = f1[k] - f0[k];
            double part = f0[k] * charge + change * moment;
            heat += h * (a * (a + rise) + rise * rise / 3.0)
                + 2.0 * c * (a * area + rise * moment1) + c * c * square1;
            impulse += part;
            lean += 0.5 * part - f0[k] * moment - change * second;
            s->i[k] = a + rise + c * left;
        }
        double middle = 0.5 * (s->omega + end), air = middle * fabs(middle);
        double drag = p->coulomb + p->viscous * middle + (p->windage + p->fan) * air;
        double next = s->omega + (p->ke * impulse - drag * h) * (1.0 / p->inertia);
        double advance = p->pole_pairs * h * (0.5 * (s->omega + next) + p->ke * lean * (1.0 / p->inertia));
        s->advance = advance;
        s->heat = heat;
        s->alpha = (next - s->omega) * per_h;
        s->omega = next;
    }
}
"""
"""One segment of sim/plant/segment.py, step for step."""
COUNT = 200_000
LENGTH_S = 5e-6
START = {"u_rad": 0.3, "omega_rad_s": 1000.0, "alpha_rad_s2": 100.0}


@kernel
def _segments(p: Record, s: Record, w: Record, shape: Record, h_s: float, count: int) -> None:
    """`count` segments in one place, as in SOURCE."""
    for _ in range(count):
        start_shapes(p, s, w, shape)
        trial(p, s, w, shape, h_s)
        s.alpha_rad_s2 = (w.omega_end_rad_s - s.omega_rad_s) / w.h_s
        s.omega_rad_s = w.omega_end_rad_s
        for k in range(3):
            s.i_A[k] = w.i_end_A[k]


def least_s(work: Callable[[], object]) -> float:
    """Shortest of some processor times, after one run to warm up."""
    work()
    times = []
    for _ in range(15):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def doubles(*values: float) -> Any:
    """A C array."""
    return (ctypes.c_double * len(values))(*values)


def test_a_segment_costs_at_most_twice_what_it_does_in_c(tmp_path: Path) -> None:
    library = tmp_path / "segment.so"
    flags = ["-O3", "-march=native", "-shared", "-fPIC"]
    command = ["gcc", *flags, "-o", str(library), "-x", "c", "-", "-lm"]
    subprocess.run(command, input=SOURCE, text=True, check=True)
    segments_in_c = ctypes.CDLL(str(library)).segments
    p = plant(**{**BOARD_MOTOR, **FRICTION})
    w, shape = np.zeros(1, SEGMENT)[0], trapezoid(KNOTS)
    w["direction"] = 1
    ours, theirs = state(), doubles()

    def in_numba() -> None:
        nonlocal ours
        ours = state(**START, knot=0)
        ours["leg"], ours["diode"] = (HIGH, LOW, 0), (0, 0, LOW)
        _segments(p, ours, w, shape, LENGTH_S, COUNT)

    ohm = float(p["resistance_ohm"] + p["switch_ohm"])
    names = ("coulomb_Nm", "viscous_Nm_s_per_rad", "windage_Nm_s2_per_rad2", "fan_Nm_s2_per_rad2", "cell_rad")
    first = ("inductance_H", "ke_V_s_per_rad", "inertia_kg_m2")
    motor = doubles(float(p["pole_pairs"]), ohm, *(float(p[name]) for name in first + names))
    volts = doubles(float(p["supply_V"]), 0.0, -float(p["diode_V"]))

    def in_c() -> None:
        nonlocal theirs
        theirs = doubles(*START.values(), *(0.0,) * 5)
        step = ctypes.c_double(LENGTH_S), ctypes.c_long(COUNT)
        segments_in_c(motor, theirs, volts, doubles(*shape[0]), doubles(*shape[1]), *step)

    numba_s, c_s = least_s(in_numba), least_s(in_c)
    # The same operations, but for their order and fused products; 1e-9 tells any other formula.
    assert list(theirs)[1] == pytest.approx(float(ours["omega_rad_s"]), rel=1e-9)
    assert list(theirs)[3:6] == pytest.approx(ours["i_A"].tolist(), rel=1e-9)
    assert theirs[6] == pytest.approx(float(w["advance_rad"]), rel=1e-9)
    assert theirs[7] == pytest.approx(float(w["square_A2s"]), rel=1e-9)
    print(
        f"\na segment: {numba_s / COUNT * 1e9:.0f} ns in numba, {c_s / COUNT * 1e9:.0f} ns in C "
        f"(-O3), {numba_s / c_s:.2f} times as long"
    )
    # Common practice, no source: numba and gcc stand on like optimizers; the rest is records in memory.
    assert numba_s <= 2.0 * c_s
