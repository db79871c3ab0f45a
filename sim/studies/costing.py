"""`tickspin cost`: what a law takes on a target, predicted, and measured on the compiled export."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from controllers.compiled import Measurement, measure_law
from controllers.cost import MINIMUM, LinkedProgram, flash_parts, static_bytes
from controllers.graph import shortest_routes
from sim.design import Design
from sim.run.assemble import build_firmware
from targets import Target

CALLS: Final = 60
"""Calls of each handler in a measurement: a few seconds."""


@dataclass(frozen=True)
class Costing:
    """The answer. cycles: handler -> shortest way at minimum, longest way at typical and at maximum costs,
    without interrupt entry and exit. flash_parts, static_bytes [bytes]. measured: where it was asked for."""

    design: Design
    target: Target
    linked: LinkedProgram
    cycles: Mapping[str, tuple[int, int, int]]
    flash_parts: Mapping[str, int]
    static_bytes: int
    measured: Measurement | None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for scripts."""
        return {
            "law": self.design.firmware.law,
            "arithmetic": self.linked.program.arithmetic,
            "target": self.target.name,
            "handlers": {
                name: dict(zip(("min", "typical", "max"), row, strict=True))
                for name, row in self.cycles.items()
            },
            "flash_bytes": self.linked.flash_bytes,
            "flash_parts": dict(self.flash_parts),
            "ram_bytes": self.linked.ram_bytes,
            "stack_bytes": self.linked.stack_bytes,
            "static_bytes": self.static_bytes,
            "fits": self.linked.fits,
            "too_close_to_call": dict(self.linked.room.close),
            "measured": None if self.measured is None else asdict(self.measured),
        }


def cost_law(design: Design, measure: bool) -> Costing:
    """Price the firmware of a design, and measure it where asked.

    Raises:
        InputError: a fault of the law; with `measure`: no modelled core, no compiler or no extra `measure`.
    """
    firmware = build_firmware(design)
    linked, target = firmware.linked, firmware.target
    program = linked.program
    shortest = shortest_routes(program, linked.cycles[:, MINIMUM])
    return Costing(
        design=design,
        target=target,
        linked=linked,
        cycles={
            name: (shortest[name].cost, linked.typical_cycles[name], linked.worst_case_cycles[name])
            for name in program.handlers
        },
        flash_parts=flash_parts(program, target),
        static_bytes=static_bytes(program),
        measured=measure_law(linked, target, CALLS) if measure else None,
    )
