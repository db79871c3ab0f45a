"""What a user is told while the command is busy, on standard error."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

from controllers.jit import NativeKernel
from sim.design import Design
from sim.loop.native import native_spin
from sim.run.assemble import build_firmware, check_sensors

_PARTS: Final = {"spin": "the simulation", "bench": "the test bench", "play": "the player of test vectors"}
"""What the kernels are to a user, by their names."""


def prepare(*kernels: NativeKernel, design: Design | None = None) -> None:
    """Compile those of the kernels, that of the simulation unless others are named, that this machine has not
    compiled yet; standard error is told which and how long it took.

    Args:
        design: what they are wanted for; its faults are told before the wait, not after it.
    Raises:
        InputError: its firmware cannot be built, or needs other sensors.
    """
    missing = [kernel for kernel in kernels or (native_spin,) if not kernel.is_compiled]
    if not missing:
        return
    if design is not None:
        check_sensors(design, build_firmware(design).program)
    parts = " and ".join(_PARTS[kernel.name] for kernel in missing)
    print(f"tickspin: compiling {parts} for this machine, once per version ...", file=sys.stderr, flush=True)
    start_s = time.monotonic()
    for kernel in missing:
        kernel.prepare()
    spent_s = time.monotonic() - start_s
    print(f"tickspin: compiled in {spent_s:.0f} s; kept for later calls", file=sys.stderr, flush=True)


@contextmanager
def under_way() -> Iterator[Callable[[str], None]]:
    """Around what takes more than a few seconds: gives the function that tells in one line how far it is. The
    line is gone in the end, and is not written where standard error is no terminal."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console  # slow to import

    with Console(stderr=True).status("") as status:
        yield status.update
