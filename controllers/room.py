"""Whether firmware fits the memory of a target, and whether the estimate is good enough to say so."""

from collections.abc import Mapping
from typing import Final, NamedTuple

from targets.schema import Target

FLASH_ERROR: Final = 0.25
"""Flash without start-up code, predicted to measured, is within 1 +- this for every law, arithmetic and core
of ACCURACY.md; tests/controllers/test_estimate.py holds it."""
STACK_SPARE_BYTES: Final = 80
"""The stack is told by no more than this too deep, and never too shallow: the estimate takes the largest
frame of any law (80 bytes on rv32imc, with doubles); tests/controllers/test_frames.py holds it."""


class Room(NamedTuple):
    """fits: by the numbers. reason: what does not fit, or how much is used. close: memory -> why its number
    decides nothing; empty where it does."""

    fits: bool
    reason: str
    close: Mapping[str, str]


def room(target: Target, flash_bytes: int, ram_bytes: int, stack_bytes: int) -> Room:
    """Hold what firmware takes, start-up code and stack included, against what a target has."""
    memory = target.memory
    memories = (("flash", flash_bytes, memory.flash_bytes), ("RAM", ram_bytes, memory.ram_bytes))
    lacks = [
        f"needs {needed:,} bytes of {name}, {target.name} has {available:,}"
        for name, needed, available in memories
        if needed > available
    ]
    used = [f"{needed:,} of {available:,} bytes of {name}" for name, needed, available in memories]
    words = {
        "flash": _flash_is_close(target, flash_bytes),
        "RAM": _ram_is_close(target, ram_bytes, stack_bytes),
    }
    return Room(
        fits=not lacks,
        reason="; ".join(lacks) or f"uses {' and '.join(used)}",
        close={name: text for name, text in words.items() if text},
    )


def _flash_is_close(target: Target, flash_bytes: int) -> str:
    """Either answer is possible within the error of the estimate."""
    memory = target.memory
    own, free = flash_bytes - memory.fixed_flash_bytes, memory.flash_bytes - memory.fixed_flash_bytes
    if not own / (1.0 + FLASH_ERROR) <= free < own / (1.0 - FLASH_ERROR):
        return ""
    unmeasured = "" if target.compiler else f" (never measured on {target.name})"
    return f"too close to call: the estimate is good to {FLASH_ERROR * 100.0:g} %{unmeasured}"


def _ram_is_close(target: Target, ram_bytes: int, stack_bytes: int) -> str:
    """It does not fit, and might."""
    over = ram_bytes - target.memory.ram_bytes
    if not 0 < over <= min(STACK_SPARE_BYTES, stack_bytes):
        return ""
    return f"too close to call: the stack may take {STACK_SPARE_BYTES} bytes less"
