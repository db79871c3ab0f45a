"""What is known at one place of a handler.

Every slot has a value number: slots with the same number hold the same mathematical value, so what a
comparison says of one holds for all copies. Ranges, differences and "is not 0" are kept by value number.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from controllers.bounds.intervals import Range, Whole, contains, join, meet

Difference = tuple[int, int]  # (a, b): a lower end of b - a


@dataclass
class State:
    """`numbers`: slot -> value number. `ranges`: value number -> range. `gaps`: (a, b) -> lower end of b - a,
    for integers. `nonzero`: numbers known not to be 0. `new_number` hands out numbers. `masked_at`: pc that
    masked the interrupts, None where they are taken."""

    numbers: list[int]
    ranges: dict[int, Range]
    new_number: Callable[[], int]
    gaps: dict[Difference, int] = field(default_factory=dict)
    nonzero: set[int] = field(default_factory=set)
    masked_at: int | None = None

    def copy(self) -> "State":
        """A state of its own."""
        return State(
            self.numbers.copy(), self.ranges.copy(), self.new_number, self.gaps.copy(), self.nonzero.copy(),
            self.masked_at,
        )  # fmt: skip

    def range_of(self, slot: int) -> Range:
        """Range of the value in a slot."""
        return self.ranges[self.numbers[slot]]

    def assign(self, slot: int, found: Range) -> int:
        """The slot takes a new value; its number."""
        number = self.new_number()
        self.numbers[slot] = number
        self.ranges[number] = found
        return number

    def is_nonzero(self, number: int) -> bool:
        """Whether a value is known not to be 0."""
        return number in self.nonzero or not contains(self.ranges[number], 0)

    def gap(self, a: int, b: int) -> float:
        """Best known lower end of value b - value a."""
        if a == b:
            return 0
        low, high = self.ranges[b].low, self.ranges[a].high
        return max(self.gaps.get((a, b), low - high), low - high)

    def difference(self, a: int, b: int) -> Whole:
        """Range of value a - value b, both integers."""
        return Whole(int(self.gap(b, a)), -int(self.gap(a, b)))

    def relate(self, a: int, b: int, least: int) -> None:
        """Note b - a >= least."""
        if a != b and least > self.gap(a, b):
            self.gaps[a, b] = least

    def narrow(self, number: int, found: Range) -> bool:
        """The value lies in `found` as well; False where that cannot be."""
        both = meet(self.ranges[number], found)
        if both is None:
            return False
        self.ranges[number] = _off_zero(both) if number in self.nonzero else both
        return True

    def exclude_zero(self, number: int) -> None:
        """The value is not 0."""
        self.nonzero.add(number)
        self.ranges[number] = _off_zero(self.ranges[number])

    def propagate(self, numbers: Iterable[int]) -> bool:
        """Narrow the values whose differences from `numbers` are known; False where that cannot be."""
        changed = set(numbers)
        for (a, b), least in self.gaps.items():
            if a in changed or b in changed:
                low, high = self.ranges[a], self.ranges[b]
                assert isinstance(low, Whole)
                assert isinstance(high, Whole)
                below = Whole(min(low.low, high.high - least), high.high - least)
                above = Whole(low.low + least, max(high.high, low.low + least))
                if not (self.narrow(a, below) and self.narrow(b, above)):
                    return False
        return True


def _off_zero(found: Range) -> Range:
    """Without a 0 at an end (integers; a float next to 0 is next to any bound anyway)."""
    if not isinstance(found, Whole) or found.low == found.high:
        return found
    return Whole(found.low + (found.low == 0), found.high - (found.high == 0))


def joined(p: State, q: State) -> State:
    """What holds after either of two ways."""
    pairs: dict[tuple[int, int], int] = {}
    result = State([], {}, p.new_number, masked_at=p.masked_at if p.masked_at == q.masked_at else None)
    for a, b in zip(p.numbers, q.numbers, strict=True):
        if (a, b) not in pairs:
            pairs[a, b] = number = a if a == b else p.new_number()
            first, second = p.ranges[a], q.ranges[b]
            result.ranges[number] = found = first if first is second else join(first, second)
            if contains(found, 0) and p.is_nonzero(a) and q.is_nonzero(b):
                result.nonzero.add(number)
        result.numbers.append(pairs[a, b])
    _join_gaps(result, p, q, pairs)
    return result


def _join_gaps(result: State, p: State, q: State, pairs: dict[tuple[int, int], int]) -> None:
    """A difference known on one way is kept as far as it holds on the other."""
    for side, state in enumerate((p, q)):
        places: dict[int, list[tuple[int, int]]] = {}
        for pair in pairs:
            places.setdefault(pair[side], []).append(pair)
        for a, b in state.gaps:
            for first in places.get(a, ()):
                for second in places.get(b, ()):
                    least = min(p.gap(first[0], second[0]), q.gap(first[1], second[1]))
                    result.relate(pairs[first], pairs[second], int(least))
