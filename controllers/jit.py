"""The one way a function of tickspin becomes machine code: numba, cached on disk.

numba's own cache notices a change in the file of the function that is called, not in the files of the functions
it calls. The cache folder is therefore named after a digest of every source file that may hold a kernel: any
edit, or another numba, numpy or Python, leads to a fresh folder.
"""

import hashlib
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numpy as np

Function = TypeVar("Function", bound=Callable[..., Any])

_PACKAGES = ("controllers", "sim/plant", "sim/processor", "sim/loop")


def _source_digest() -> str:
    """Hex digest (16 characters) of the kernel sources and of the versions that compile them."""
    root = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256(f"{sys.version} {numba.__version__} {np.__version__}".encode())
    for package in _PACKAGES:
        for source in sorted((root / package).glob("*.py")):
            digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def _cache_folder() -> Path:
    """Folder of the compiled kernels: the user's cache folder, or the temporary one where that is not writable."""
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    folder = base / "tickspin" / _source_digest()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if os.access(folder, os.W_OK):
            return folder
    except OSError:
        pass
    return Path(tempfile.gettempdir()) / f"tickspin-{os.getuid()}" / folder.name


CACHE_FOLDER = _cache_folder()
numba.config.CACHE_DIR = str(CACHE_FOLDER)


def is_compiled(function: Callable[..., Any]) -> bool:
    """Whether a compiled form of the kernel `function` lies in the cache folder."""
    pattern = f"{function.__module__.rpartition('.')[2]}.{function.__name__}-*.nbi"
    return any(CACHE_FOLDER.rglob(pattern))


def kernel(function: Function) -> Function:
    """Decorate a function of plain numbers, arrays and records so that numba compiles it.

    Not cached on disk: a callee that comes out of a cache is linked as finished object code and never inlined into its caller,
    which made the simulation four times slower. Only the outermost function is cached, with everything inlined in it.
    """
    return cast(Function, numba.njit(error_model="numpy")(function))


def cached_kernel(function: Function) -> Function:
    """Decorate an outermost kernel, one that Python calls: compiled once per source state, then loaded from the cache folder."""
    return cast(Function, numba.njit(cache=True, error_model="numpy")(function))
