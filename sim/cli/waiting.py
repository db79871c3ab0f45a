"""What a user is told while the command is busy, on standard error."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from controllers.jit import NativeKernel
from sim.loop.native import native_spin


@contextmanager
def compile_notice(*kernels: NativeKernel) -> Iterator[None]:
    """Around the first run of kernels, that of the simulation unless others are named: a notice on standard
    error when one has to be compiled."""
    if all(kernel.is_compiled for kernel in kernels or (native_spin,)):
        yield
        return
    print(
        "tickspin: compiling the simulation for this machine, once per version ...",
        file=sys.stderr,
        flush=True,
    )
    start_s = time.monotonic()
    yield
    print(
        f"tickspin: compiled in {time.monotonic() - start_s:.0f} s; later runs start at once", file=sys.stderr
    )


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
