"""Parameters in real units -> constants of the chosen format, with a report of what rounding changed."""

import math
from fractions import Fraction
from typing import NamedTuple

from controllers.binding import FITTED, Binding
from controllers.lower.constants import OutOfRangeError, decode, encode, nearest_integer
from controllers.lower.scope import ConstantName, describe, range_of
from controllers.lower.types import Type, Types
from controllers.lower.units import UNITS, Unit, unit_of
from controllers.parse.source import RefusedError
from controllers.parse.tree import Law, Parameter
from controllers.program import Rounding
from targets.errors import Fault

_MANTISSA_BITS = 15
_PLACE = "firmware.parameters"


def check_parameter_names(law: Law, binding: Binding) -> None:
    """Record a fault for every given parameter that the law does not have."""
    known = sorted(d.key for d in law.declarations.values() if isinstance(d, Parameter))
    for key in binding.parameters:
        if key not in known:
            remedy = f"{law.name} has {', '.join(known) or 'no parameters'}"
            law.source.add(Fault(f"{_PLACE}.{key}", f"is a parameter of {law.name}", key, remedy))


class Bound(NamedTuple):
    """A parameter as constant. rounding: None where it changed nothing. fitted: in its unit, None unless that
    is what fits the motor."""

    symbol: ConstantName
    rounding: Rounding | None
    fitted: float | None


def bind_parameter(law: Law, parameter: Parameter, types: Types, binding: Binding) -> Bound:
    """Constant of one parameter: (value in its unit) * unit factor * times, rounded to nearest."""
    kind = types.resolve(law.source, parameter.kind)
    unit = unit_of(parameter.key)
    if unit is None:
        endings = ", ".join(unit.suffix for unit in UNITS)
        raise law.source.refuse(
            parameter.at, "a parameter's key ends in its unit", parameter.key, f"end in {endings}"
        )
    if parameter.fitted and parameter.key not in FITTED:
        raise law.source.refuse(
            parameter.at, f"fitted is for {' and '.join(FITTED)}", parameter.key, "leave fitted out"
        )
    factor = unit.factor(binding) * parameter.times
    fitted = _fitted_value(parameter, binding, kind, factor)
    asked = _asked_value(law, parameter, binding, unit) if fitted is None else fitted
    try:
        symbol = _constant(asked * factor, kind, types)
    except OutOfRangeError:
        raise _refuse(law, parameter, binding, kind, asked, factor) from None
    held = decode(symbol.value, kind.kind) / (1 << symbol.shift)
    stored = held / factor
    is_exact = Fraction(held) == Fraction(asked * factor)
    rounding = None if is_exact else Rounding(parameter.key, asked, stored, unit.name)
    return Bound(symbol, rounding, fitted)


def _fitted_value(parameter: Parameter, binding: Binding, kind: Type, factor: float) -> float | None:
    """What fits the motor, cut to what law and format allow; None where that is not asked for."""
    if not parameter.fitted or parameter.key not in binding.fitted or parameter.key in binding.parameters:
        return None
    held = math.inf if kind.kind.is_float else decode(kind.kind.high, kind.kind) / factor
    return min(max(binding.fitted[parameter.key], parameter.low), parameter.high, held)


def _asked_value(law: Law, parameter: Parameter, binding: Binding, unit: Unit) -> float:
    """The scenario's value, or the default, within the declared range."""
    value = binding.parameters.get(parameter.key, parameter.default)
    if not (math.isfinite(value) and parameter.low <= value <= parameter.high):
        rule = f"lies in {parameter.low:g}..{parameter.high:g} {unit.name}"
        law.source.add(Fault(f"{_PLACE}.{parameter.key}", rule, f"{value:g}", "correct the scenario"))
        raise RefusedError(parameter.key)
    return value


def _constant(value: float, kind: Type, types: Types) -> ConstantName:
    if kind.word == "gain" and types.number.kind.is_integer:
        wide_bits = 2 * max(16, types.number.kind.bits)
        mantissa, shift = split_gain(value, wide_bits - 1)
        return ConstantName(kind, mantissa, shift)
    return ConstantName(kind, encode(value, kind.kind))


def split_gain(value: float, shift_limit: int) -> tuple[int, int]:
    """`value` as mantissa / 2**shift, the mantissa of 15 bits, the shift 0..`shift_limit`.

    Raises:
        OutOfRangeError: where the value is too large for a right shift, or so small that it would be 0.
    """
    if value == 0:
        return 0, 0
    if not math.isfinite(value):
        raise OutOfRangeError
    shift = min(_MANTISSA_BITS - math.frexp(value)[1], shift_limit)
    mantissa = nearest_integer(Fraction(value) * Fraction(2) ** shift)
    if abs(mantissa) == 1 << _MANTISSA_BITS:
        mantissa, shift = mantissa // 2, shift - 1
    if shift < 0 or mantissa == 0:
        raise OutOfRangeError
    return mantissa, shift


def _refuse(
    law: Law, parameter: Parameter, binding: Binding, kind: Type, asked: float, factor: float
) -> RefusedError:
    """The fault stands in the scenario where the value was given there, else in the law."""
    found = f"{asked:g} = {asked * factor:.10g} counts"
    rule, remedy = (
        f"{parameter.key} fits {describe(kind)}",
        f"stay within {range_of(kind)} counts: another value, prescaler or arithmetic",
    )
    if parameter.key in binding.parameters:
        law.source.add(Fault(f"{_PLACE}.{parameter.key}", rule, found, remedy))
        return RefusedError(parameter.key)
    return law.source.refuse(parameter.at, rule, found, remedy)
