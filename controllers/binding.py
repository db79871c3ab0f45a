"""What a scenario fixes before a law can be compiled: arithmetic, timer, motor and parameters."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from controllers.kinds import KIND_BY_NAME, Kind, fixed_kind, nearest_fixed_name
from targets.cost_keys import ARITHMETIC_WORDS, ARITHMETICS
from targets.errors import Fault, InputError

TIMER_WIDTHS_BITS: Final = (16, 32)
FITTED: Final = ("kp_duty_per_rpm", "ki_duty_per_rpm_s")
"""Parameters that a scenario can fit to its motor."""
_FIXED: Final = re.compile(r"q(\d{1,3})\.(\d{1,3})")


@dataclass(frozen=True)
class Binding:
    """The numbers a law is compiled for.

    arithmetic: kind of `number`, see `number_kind`. timer_bits: 16 or 32. tick_Hz: counting rate
    of the step timer. pole_pairs: of the motor. duty_top: PWM counts at full duty, 1..65535.
    control_period_s: time between calls of on_control_tick. parameters: law parameters in the units of their
    keys; missing ones take the default. fitted: what fits the motor, by key of `FITTED`, taken in
    place of the default where the law says so.
    """

    arithmetic: str
    timer_bits: int
    tick_Hz: float
    pole_pairs: int
    duty_top: int
    control_period_s: float
    parameters: Mapping[str, float]
    fitted: Mapping[str, float] = field(default_factory=dict)


def number_kind(arithmetic: str) -> Kind:
    """The kind that `arithmetic` binds `number` to.

    Raises:
        InputError: place "firmware.arithmetic"; names the nearest legal fixed-point kind where the total is
        wrong.
    """
    if arithmetic in ARITHMETICS:
        return KIND_BY_NAME[arithmetic]
    match = _FIXED.fullmatch(arithmetic)
    if match is None:
        raise InputError([Fault("firmware.arithmetic", f"is {ARITHMETIC_WORDS}", repr(arithmetic),
                                "choose one of them, such as i32 or q15.16")])  # fmt: skip
    whole, fraction = int(match[1]), int(match[2])
    kind = fixed_kind(whole, fraction)
    if kind is None:
        rule = "qM.N fills 8, 16 or 32 bits with its sign"
        raise InputError([Fault("firmware.arithmetic", rule, arithmetic,
                                f"the nearest is {nearest_fixed_name(whole, fraction)}")])  # fmt: skip
    return kind


def check_binding(binding: Binding) -> None:
    """Refuse numbers that no timer, motor or PWM can have.

    Raises:
        InputError: with every fault, at place "firmware.KEY".
    """
    rules = (
        ("timer_bits", "is 16 or 32", binding.timer_bits in TIMER_WIDTHS_BITS),
        ("tick_Hz", "is a positive number", _is_positive(binding.tick_Hz)),
        ("pole_pairs", "is at least 1", binding.pole_pairs >= 1),
        ("duty_top", "is 1..65535 PWM counts", 1 <= binding.duty_top <= 65535),
        ("control_period_s", "is a positive number", _is_positive(binding.control_period_s)),
    )
    faults = [
        Fault(f"firmware.{key}", rule, f"{getattr(binding, key)}", "correct the design")
        for key, rule, holds in rules
        if not holds
    ]
    if faults:
        raise InputError(faults)


def _is_positive(value: float) -> bool:
    return math.isfinite(value) and value > 0
