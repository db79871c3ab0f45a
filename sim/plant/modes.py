"""Three unequal coils in their modes: the independent currents that do not feel each other.

With the currents x = (into the terminals, round a delta) held to a set of conducting terminals, the coils'
resistances with the switches and the coils' inductances are two products of such currents: <x, y>_R is the
heat, <x, y>_L twice the magnetic energy. A basis that is orthonormal in <,>_L and orthogonal in <,>_R
(generalised symmetric eigenproblem; both products are positive definite, so the modes are real and decay)
decouples Kirchhoff's equations: of a mode x of unit <x, x>_L = L, L the inductance of coil A,

    L dy/dt + <x, x>_R y = x held voltages - x back-EMFs.

The basis is made by Gram and Schmidt in <,>_L and turned by Jacobi's rotations in <,>_R (Golub and Van Loan,
Matrix Computations, from memory). A current through an open terminal that is <,>_L-orthogonal to the modes
needs no change of theirs: what it meets, per ampere, is the voltage of that terminal.
"""

import math

from controllers.jit import kernel
from sim.plant.delta import ROUND, coil_A, coil_ohm
from sim.plant.present import winding_ohm
from sim.plant.records import COILS, CONDUCTIONS, CURRENTS, PLACES, Record

_SWEEPS = 6
"""Sweeps of rotations; they converge quadratically, and three modes are there in four."""
_THIRD = 1.0 / 3.0


@kernel
def _coil_product(more_part: Record, x: Record, y: Record) -> float:
    """Sum of the products of the coils' currents, each times 1 + `more_part` of its coil: with
    `more_H_part` <x, y>_L over the inductance of coil A, with `more_ohm_part` heat over its resistance."""
    total = 0.0
    for k in range(3):
        total += (1.0 + more_part[k]) * x[COILS + k] * y[COILS + k]
    return total


@kernel
def _plain_product(x: Record, y: Record, first: int) -> float:
    """Sum of the products of three of the currents, from place `first` on."""
    return x[first] * y[first] + x[first + 1] * y[first + 1] + x[first + 2] * y[first + 2]


@kernel
def _resistance_product(p: Record, s: Record, x: Record, y: Record) -> float:
    """<x, y>_R [ohm]."""
    return coil_ohm(p, s) * _coil_product(p.more_ohm_part, x, y) + p.switch_ohm * _plain_product(x, y, 0)


@kernel
def _note_coils(p: Record, x: Record) -> None:
    """Fill the coils' currents of the currents `x`."""
    for k in range(3):
        x[COILS + k] = coil_A(x, x[ROUND], p.delta, k)


@kernel
def _make_orthogonal(p: Record, c: Record, x: Record) -> None:
    """Take out of `x` what it has of the modes found so far."""
    for m in range(c.modes):
        part = _coil_product(p.more_H_part, c.current[m], x)
        for q in range(PLACES):
            x[q] -= part * c.current[m, q]


@kernel
def _add_mode(p: Record, c: Record) -> None:
    """Make the currents noted as the next mode one that is orthonormal to those before."""
    x = c.current[c.modes]
    _note_coils(p, x)
    _make_orthogonal(p, c, x)
    scale = 1.0 / math.sqrt(_coil_product(p.more_H_part, x, x))
    for q in range(PLACES):
        x[q] *= scale
    c.modes += 1


@kernel
def _conducts(conducting: int, k: int) -> bool:
    """Whether terminal `k` is in the set."""
    return (conducting >> k) & 1 != 0


@kernel
def _first(conducting: int) -> int:
    """The lowest terminal in the set, -1 where it is empty."""
    for k in range(3):
        if _conducts(conducting, k):
            return k
    return -1


@kernel
def _span(p: Record, c: Record, conducting: int) -> None:
    """Orthonormal currents in <,>_L: from the first conducting terminal to each other one, and round."""
    c.modes = 0
    first = _first(conducting)
    for k in range(first + 1, CURRENTS):
        from_first = k < ROUND and first >= 0 and _conducts(conducting, k)
        if from_first or (k == ROUND and p.delta):
            x = c.current[c.modes]
            for q in range(CURRENTS):
                x[q] = 0.0
            x[k] = 1.0
            if from_first:
                x[first] = -1.0
            _add_mode(p, c)


@kernel
def _rotate(p: Record, s: Record, c: Record, m: int, n: int) -> None:
    """Turn two modes within their plane until <,>_R of them is zero."""
    x, y = c.current[m], c.current[n]
    twist = 2.0 * _resistance_product(p, s, x, y)
    if twist == 0.0:
        return
    angle = 0.5 * math.atan2(twist, _resistance_product(p, s, x, x) - _resistance_product(p, s, y, y))
    cosine, sine = math.cos(angle), math.sin(angle)
    for q in range(PLACES):
        x[q], y[q] = cosine * x[q] + sine * y[q], cosine * y[q] - sine * x[q]


@kernel
def _diagonalise(p: Record, s: Record, c: Record) -> None:
    """Make the modes orthogonal in <,>_R, too."""
    for _ in range(_SWEEPS):
        for m in range(1, c.modes):
            for n in range(m):
                _rotate(p, s, c, m, n)


@kernel
def _note_pick(p: Record, c: Record, m: int) -> None:
    """Fill what picks mode `m` from the CURRENTS: its <,>_L with each of them over the inductance of coil
    A."""
    for q in range(CURRENTS):
        c.pick[m, q] = 0.0
    for k in range(3):
        flux = (1.0 + p.more_H_part[k]) * c.current[m, COILS + k]
        if p.delta:
            c.pick[m, k] += _THIRD * flux
            c.pick[m, (k + 1) % 3] -= _THIRD * flux
            c.pick[m, ROUND] += flux
        else:
            c.pick[m, k] += flux


@kernel
def _note_products(p: Record, s: Record, c: Record) -> None:
    """Fill what a segment needs of the modes and of their products."""
    for m in range(c.modes):
        x = c.current[m]
        c.mode_ohm[m] = _resistance_product(p, s, x, x)
        _note_pick(p, c, m)
        for n in range(m + 1):
            y, times = c.current[n], 1.0 if n == m else 2.0
            c.line_square[m, n] = times * _plain_product(x, y, 0)
            c.coil_square[m, n] = times * _plain_product(x, y, COILS)
            c.copper_square[m, n] = times * _coil_product(p.more_ohm_part, x, y)


@kernel
def _note_open_terminals(p: Record, s: Record, c: Record, conducting: int) -> None:
    """Fill what makes up the voltages of open terminals: against the first that conducts, or against the mean
    of all."""
    first = _first(conducting)
    for k in range(3):
        x = c.open_current[k]
        for q in range(CURRENTS):
            x[q] = -_THIRD if first < 0 and q < ROUND else 0.0
        if first >= 0:
            x[first] = -1.0
        x[k] += 1.0
        _note_coils(p, x)
        _make_orthogonal(p, c, x)
        for m in range(c.modes):
            c.open_ohm[k, m] = _resistance_product(p, s, x, c.current[m])


@kernel
def set_circuits(p: Record, s: Record) -> None:
    """Fill `s.circuits` of unequal coils for the winding's present resistance, where that has changed."""
    if s.circuits_for_ohm == winding_ohm(p, s):
        return
    s.circuits_for_ohm = winding_ohm(p, s)
    for conducting in range(CONDUCTIONS):
        c = s.circuits[conducting]
        _span(p, c, conducting)
        _diagonalise(p, s, c)
        _note_products(p, s, c)
        _note_open_terminals(p, s, c, conducting)
