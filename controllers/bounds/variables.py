"""What every variable of a law holds, and the width that would do."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from controllers.bounds.intervals import Range, Real, holds, join, whole_range
from controllers.bounds.listing import Listing
from controllers.bounds.values import Value, kind_name, kind_text, value_of
from controllers.kinds import INTEGER_KINDS, WIDE_KINDS, Kind
from controllers.program import SLOT_TEMP


@dataclass(frozen=True)
class Variable:
    """Every value a variable is ever given. handler: of a local variable, "" for a static one. enough: the
    narrowest kind that holds the range, of an equal fraction; "" for floats, whose width is precision."""

    handler: str
    kind: str
    value: Value
    enough: str


def list_variables(listing: Listing, written: Mapping[str, Mapping[int, Range]]) -> Iterator[Variable]:
    """Statics, then locals by handler. `written`: handler -> slot -> every value it is given there."""
    program = listing.program
    for slot in listing.statics:
        found = listing.image[slot]
        for ranges in written.values():
            found = join(found, ranges.get(slot, found))
        yield _variable(listing, "", slot, found)
    for handler, ranges in written.items():
        locals_: dict[tuple[str, str], tuple[int, Range]] = {}
        for slot, found in sorted(ranges.items()):
            name = program.slot_names[slot]
            if name and program.slot_class[slot] == SLOT_TEMP:
                key = (name, kind_name(listing, slot))
                known = locals_.get(key, (slot, found))
                locals_[key] = (known[0], join(known[1], found))
        for slot, found in locals_.values():
            yield _variable(listing, handler, slot, found)


def _variable(listing: Listing, handler: str, slot: int, found: Range) -> Variable:
    fraction_bits = int(listing.program.slot_fraction_bits[slot])
    value = value_of(listing.program.slot_names[slot], found, fraction_bits)
    enough = narrowest(listing.slot_kinds[slot], fraction_bits, found)
    return Variable(handler, kind_name(listing, slot), value, enough)


def narrowest(kind: Kind, fraction_bits: int, found: Range) -> str:
    """Narrowest kind that holds a range, the sign of `kind` preferred; fixed point keeps its fraction."""
    if isinstance(found, Real):
        return ""
    if fraction_bits:
        candidates = [k for k in INTEGER_KINDS if k.signed and k.bits > fraction_bits]
    else:
        candidates = [*INTEGER_KINDS, *WIDE_KINDS]
    candidates.sort(key=lambda other: (other.bits, other.signed != kind.signed))
    return next(kind_text(k, fraction_bits) for k in candidates if holds(whole_range(k), found))
