"""Three equal coils in delta, in their modes (unequal ones: `sim.plant.modes`).

Coil k lies between terminals k and k + 1: L di/dt + R i + e_k = v_k - v_(k+1), with the switch's resistance
in each terminal. The three branch currents are taken as i_ab = (i_a - i_b) / 3 + c and so on: the currents i
into the terminals, which see a star of R / 3, L / 3 and (e_ab - e_ca) / 3, and the current c that goes round,

    L dc/dt + R c = -(e_ab + e_bc + e_ca) / 3,

whatever the bridge does. That is exact; the modes decouple. tests/plant/test_delta.py integrates the branches
themselves. Sums of squares: i_ab^2 + i_bc^2 + i_ca^2 = (i_a^2 + i_b^2 + i_c^2) / 3 + 3 c^2.
"""

from controllers.jit import kernel
from sim.plant.present import winding_ohm
from sim.plant.records import Record

_THIRD, _NINTH = 1.0 / 3.0, 1.0 / 9.0
ROUND = 3
"""Place of the current that goes round in the arrays of a segment."""


@kernel
def coil_A(i_A: Record, round_A: float, delta: int, k: int) -> float:
    """Current of coil `k`: of the phase in a star, from the terminals' currents in a delta."""
    if delta:
        return (i_A[k] - i_A[(k + 1) % 3]) * _THIRD + round_A
    return i_A[k]


@kernel
def coil_square_A2s(p: Record, w: Record) -> float:
    """Integral of the sum of the squared coil currents over the segment."""
    if p.unequal:
        return w.coil_A2s
    if p.delta:
        return w.square_A2s * _THIRD + 3.0 * w.round_A2s
    return w.square_A2s


@kernel
def copper_A2s(p: Record, w: Record) -> float:
    """The same with each coil's resistance over that of coil A."""
    return w.copper_A2s if p.unequal else coil_square_A2s(p, w)


@kernel
def coil_ohm(p: Record, s: Record) -> float:
    """Resistance of one coil; of coil A where they are unequal."""
    return (3.0 if p.delta else 1.0) * winding_ohm(p, s)


@kernel
def round_drive_A(p: Record, s: Record, sum_V: float) -> float:
    """Current that the sum of the coils' back-EMFs would drive round for good: -(e_ab + e_bc + e_ca) / (3
    R)."""
    return -sum_V * _NINTH / winding_ohm(p, s)
