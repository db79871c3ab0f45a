"""What holds of a law for every input, without trying any: longest paths, ranges, proofs, torn accesses."""

from collections import Counter
from dataclasses import dataclass
from typing import Any

from controllers.bounds import (
    Bounds,
    Path,
    SharedAccess,
    find_bounds,
    rows,
    torn_accesses,
    worst_paths,
)
from controllers.priorities import PRIORITIES
from sim.run.assemble import Firmware


@dataclass(frozen=True)
class Proofs:
    """structure: what interrupts what (`controllers.priorities`). longest: handler -> its longest path, entry
    and exit of the interrupt left out. torn: accesses of shared variables that an interrupt can split."""

    structure: str
    longest: dict[str, Path]
    bounds: Bounds
    torn: tuple[SharedAccess, ...]

    @property
    def excluded(self) -> dict[str, tuple[int, int]]:
        """What can go wrong -> in how many places it is excluded, and in how many there are."""
        every = Counter(verdict.check for verdict in self.bounds.verdicts)
        proved = Counter(verdict.check for verdict in self.bounds.verdicts if verdict.proved)
        return {check: (proved[check], count) for check, count in every.items()}

    def as_dict(self) -> dict[str, Any]:
        """Plain values for scripts."""
        return {
            "structure": self.structure,
            "longest_paths": [
                {"name": name, "cycles": path.cycles, "places": list(path.places)}
                for name, path in self.longest.items()
            ],
            "verdicts": rows(self.bounds.verdicts),
            "variables": rows(self.bounds.variables),
            "never_reached": list(self.bounds.unreached),
            "torn": rows(self.torn),
        }


def prove(firmware: Firmware, structure: str) -> Proofs:
    """Analyse the Program of a firmware under a structure, `firmware.structure` of the design."""
    priorities = PRIORITIES[structure]
    return Proofs(
        structure=structure,
        longest=worst_paths(firmware.linked),
        bounds=find_bounds(firmware.program, priorities),
        torn=torn_accesses(firmware.program, firmware.target.memory.word_bits, priorities),
    )
