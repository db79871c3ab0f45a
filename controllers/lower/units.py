"""Units of law parameters: the suffix of the key says how a value becomes a number of the firmware."""

from collections.abc import Callable
from typing import Final, NamedTuple

from controllers.binding import Binding


class Unit(NamedTuple):
    """`suffix` of the key, the unit people read, and the factor from that unit to firmware counts."""

    suffix: str
    name: str
    factor: Callable[[Binding], float]


UNITS: Final = (
    Unit("_duty_per_rpm_s", "duty/(rpm s)", lambda binding: binding.duty_top * binding.control_period_s),
    Unit("_duty_per_rpm", "duty/rpm", lambda binding: float(binding.duty_top)),
    Unit("_duty", "duty", lambda binding: float(binding.duty_top)),
    Unit("_rpm", "rpm", lambda _: 1.0),
    Unit("_steps", "steps", lambda _: 1.0),
    Unit("_turns", "turns", lambda _: 1.0),
    Unit("_s", "s", lambda binding: binding.tick_Hz),
)


def unit_of(key: str) -> Unit | None:
    """The unit with the longest suffix that `key` ends in."""
    matches = [unit for unit in UNITS if key.endswith(unit.suffix)]
    return max(matches, key=lambda unit: len(unit.suffix), default=None)
