"""What straight code waits for the lines of flash that it runs through."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from targets.schema import Target

_LEVELS: Final = 3  # minimum, typical, maximum


def line_waits(code_bytes: Sequence[int], cycles: Any, target: Target) -> Any:
    """Cycles that each instruction waits for the flash lines that begin in its code: int64[n, 3].

    The code is laid out as it stands in the Program. Where the flash reads ahead, a line waits for what is
    left of its read, `wait_states` + 1 cycles, when the line before it has run. An instruction is taken to
    run evenly through its code.

    Args:
        code_bytes: of each instruction, constants behind the code left out.
        cycles: int64[n, 3] of each instruction at each level, without these waits.
        target: with its wait states, one of `targets.at_clock`.
    """
    places = np.concatenate([[0], np.cumsum(code_bytes)])
    lines = np.arange(0, places[-1], target.memory.fetch_bytes)
    begins_in = np.searchsorted(places[1:], lines, side="right")
    waits = np.zeros((len(code_bytes), _LEVELS), dtype=np.int64)
    for level in range(_LEVELS):
        np.add.at(waits[:, level], begins_in, _left(lines, places, cycles[:, level], target))
    return waits


def _left(lines: Any, places: Any, cycles: Any, target: Target) -> Any:
    """Cycles that each line is waited for; the first one in full, for nothing before it read ahead."""
    waits, memory = target.wait_states, target.memory
    if not memory.reads_ahead:
        return waits
    times = np.concatenate([[0], np.cumsum(cycles)])
    took = np.interp(lines, places, times) - np.interp(lines - memory.fetch_bytes, places, times)
    return np.clip(np.ceil(waits + 1 - took), 0, waits).astype(np.int64)
