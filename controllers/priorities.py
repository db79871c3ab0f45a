"""Which handler can interrupt which: levels by structure of the firmware."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

Priorities = Mapping[str, int]  # handler -> level; a handler interrupts code of a lower level

PRIORITIES: Final[Mapping[str, Priorities]] = MappingProxyType(
    {
        "polled": MappingProxyType({}),
        "interrupt": MappingProxyType({"main_loop": -1}),
        "nested": MappingProxyType(
            {"on_start": 3, "on_step_timer": 3, "on_hall_edge": 2, "on_control_tick": 1, "main_loop": 0}
        ),
    }
)
"""Structure -> levels; a handler that is not listed has level 0."""


def can_interrupt(upper: str, lower: str, priorities: Priorities) -> bool:
    """Whether handler `upper` is taken while `lower` runs. Start-up is over before any interrupt is taken."""
    if "on_start" in (upper, lower):
        return False
    return priorities.get(upper, 0) > priorities.get(lower, 0)
