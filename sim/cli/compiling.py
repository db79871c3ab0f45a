"""The first run compiles the simulation kernel; say so, and how long it took."""

import sys
import time
from collections.abc import Iterator
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
