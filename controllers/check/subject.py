"""What is checked: one Program, its costs, what surrounds it, and the same law in f64 to compare with."""

from dataclasses import dataclass, field

import numpy as np

from controllers.check.space import TOP_RPM
from controllers.check.stand import Bench, Hardware, Motor
from controllers.cost import MAXIMUM, LinkedProgram
from controllers.program import HANDLERS, Program

LONGEST_TURN_S = 0.05
HALL, STEP, TICK = HANDLERS[1], HANDLERS[2], HANDLERS[3]


@dataclass(frozen=True, eq=False)
class Subject:
    """linked: the Program and its costs; hardware: what surrounds it; motor: what closes the loop on the
    bench; exact: the same law in f64, None where it does not compile in f64 or is in f64 already.

    Handlers take their longest time (`bench`), or none at all where only the arithmetic matters (`instant`).
    """

    linked: LinkedProgram
    hardware: Hardware
    motor: Motor
    exact: LinkedProgram | None
    bench: Bench = field(init=False)
    instant: Bench = field(init=False)
    exact_bench: Bench | None = field(init=False)

    def __post_init__(self) -> None:
        cycles = self.linked.cycles[:, MAXIMUM]
        object.__setattr__(self, "bench", Bench(self.linked, self.hardware, cycles, self.motor))
        object.__setattr__(self, "instant", _instant(self.linked, self.hardware))
        exact = None if self.exact is None else _instant(self.exact, self.hardware)
        object.__setattr__(self, "exact_bench", exact)

    @property
    def program(self) -> Program:
        """The Program."""
        return self.linked.program

    @property
    def rpm_ticks(self) -> float:
        """Ticks of an electrical turn times the speed in rpm."""
        return 60.0 * self.program.binding.tick_Hz / self.program.binding.pole_pairs

    @property
    def shortest_turn_ticks(self) -> int:
        """An electrical turn that leaves the handlers half of the time (one Hall edge, six steps), no faster
        than a command can be."""
        worst, h = self.linked.worst_case_cycles, self.hardware
        around = h.entry_cycles + h.exit_cycles
        busy = worst.get(HALL, 0) + 6 * worst.get(STEP, 0) + worst.get(TICK, 0) + 8 * around
        return max(2 * busy // h.tick_cycles, int(self.rpm_ticks / TOP_RPM) + 1)

    @property
    def longest_turn_ticks(self) -> int:
        """An electrical turn well within the timer's range: half of it, 50 ms at most."""
        return min(self.hardware.timer_range // 2, int(LONGEST_TURN_S / self.hardware.tick_s))


def _instant(linked: LinkedProgram, hardware: Hardware) -> Bench:
    return Bench(linked, hardware, np.zeros_like(linked.cycles[:, MAXIMUM]))
