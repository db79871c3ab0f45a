"""A native kernel that several threads need first is loaded once."""

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest

from controllers.jit import NativeKernel


def test_threads_that_come_first_load_the_kernel_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A second engine would free the code that the first thread runs: `tickspin compare` crashed so."""
    loaded = []

    def load(kernel: NativeKernel) -> Callable[..., int]:
        time.sleep(0.05)  # long enough for every thread to arrive
        loaded.append(kernel)
        return lambda: 7

    monkeypatch.setattr(NativeKernel, "_load", load)
    kernel = NativeKernel("never_compiled", lambda: 0, 0, 0)
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(lambda _: kernel(), range(4))) == [7] * 4
    assert len(loaded) == 1
