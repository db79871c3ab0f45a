"""Ranges as people read them: in the unit of the kind, with the name of the variable."""

from dataclasses import dataclass

from controllers.bounds.intervals import Range, Real
from controllers.bounds.listing import Listing
from controllers.kinds import Kind


@dataclass(frozen=True)
class Value:
    """What a value can be, in the unit of its kind (fixed point: the number, not what is stored). `name`: the
    variable that holds it, "" for an intermediate result. An infinite end: a float without a bound."""

    name: str
    low: float
    high: float
    may_be_nan: bool = False


def value_of(name: str, found: Range, fraction_bits: int) -> Value:
    """A range of stored values."""
    low, high = (end / (1 << fraction_bits) if fraction_bits else end for end in found[:2])
    return Value(name, low, high, isinstance(found, Real) and found.nan)


def wider(a: Value, b: Value) -> Value:
    """Both values in one."""
    return Value(a.name, min(a.low, b.low), max(a.high, b.high), a.may_be_nan or b.may_be_nan)


def kind_name(listing: Listing, slot: int) -> str:
    """Kind of a slot as the dialect names it."""
    return kind_text(listing.slot_kinds[slot], int(listing.program.slot_fraction_bits[slot]))


def kind_text(kind: Kind, fraction_bits: int) -> str:
    """A machine kind with a binary point."""
    return f"q{kind.bits - 1 - fraction_bits}.{fraction_bits}" if fraction_bits else kind.name
