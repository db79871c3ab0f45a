"""The one way a function of tickspin becomes machine code: numba, and an object file that later processes
load.

numba's own disk cache is not used: bringing a cached function back takes 0.3 to 0.45 s, more than the whole
simulation, because the compiler's type registries are loaded first. Here the outermost kernel is compiled
once to an object file, and later processes hand that file to the linker of LLVM, which takes milliseconds.
They do not import numba at all, which alone takes as long as the simulation: it is imported where something
is compiled.
"""

import ctypes
import functools
import hashlib
import importlib.machinery
import importlib.metadata
import importlib.util
import os
import platform
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from types import FunctionType
from typing import Any, TypeVar, cast

import llvmlite
import llvmlite.binding as llvm

Function = TypeVar("Function", bound=Callable[..., Any])

_OPTIONS: dict[str, Any] = {"error_model": "numpy", "_nrt": False, "forceinline": True}
_PACKAGES = ("controllers", "controllers/check/bench", "sim/plant", "sim/processor", "sim/loop")


def kernel(function: Function) -> Function:
    """Decorate a function of plain numbers, arrays and records so that numba compiles it into whatever
    kernel calls it.

    Division by zero follows IEEE 754 (error_model), and array references are not counted (_nrt): a kernel
    neither raises nor allocates, and the counting took half of the time.
    """
    return cast(Function, _Kernel(function))


class _Kernel:
    """A decorated function. numba comes in when it is called from Python or compiled into another one."""

    def __init__(self, function: Callable[..., Any]) -> None:
        functools.update_wrapper(self, function)
        self._function = function

    @functools.cached_property
    def dispatcher(self) -> Callable[..., Any]:
        """The same as numba knows it."""
        return cast(Callable[..., Any], _numba().njit(**_OPTIONS)(self._function))

    def __call__(self, *arguments: Any) -> Any:
        return self.dispatcher(*arguments)


def array(address: Any, shape: int | tuple[int, ...], dtype: Any) -> Any:
    """The array at an address, in the function of a NativeKernel: `numba.carray`, put in when it compiles."""
    raise NotImplementedError


@functools.cache
def _numba() -> Any:
    """The module numba, taught that a _Kernel in the globals of a function is its dispatcher."""
    import numba
    from numba.extending import typeof_impl

    @typeof_impl.register(_Kernel)
    def _typeof_kernel(value: _Kernel, _context: Any) -> Any:
        return numba.typeof(value.dispatcher)  # type: ignore[no-untyped-call]

    return numba


@functools.cache
def _digest() -> str:
    """16 hex digits that change with the source of any kernel, the versions that compile it, and the
    processor."""
    root = Path(__file__).resolve().parent.parent
    versions = (sys.version, importlib.metadata.version("numba"), llvmlite.__version__)
    digest = hashlib.sha256(repr((*versions, platform.machine(), llvm.get_host_cpu_name())).encode())
    for package in _PACKAGES:
        for source in sorted((root / package).glob("*.py")):
            digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


@functools.cache
def _cache_folder() -> Path:
    """Folder of the object files: the user's cache folder, or the temporary one where that is not
    writable."""
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "tickspin"
    try:
        base.mkdir(parents=True, exist_ok=True)
        if os.access(base, os.W_OK):
            return base
    except OSError:
        pass
    private = Path(tempfile.gettempdir()) / f"tickspin-{os.getuid()}"
    private.mkdir(mode=0o700, exist_ok=True)
    # Machine code is loaded from here: a folder that somebody else laid out beforehand will not do.
    return private if private.stat().st_uid == os.getuid() else Path(tempfile.mkdtemp(prefix="tickspin-"))


_LOADING = threading.Lock()


class NativeKernel:
    """An outermost kernel as a C function of addresses and integers, compiled at the first call on this
    machine.

    Calls release Python's global lock, so threads run kernels side by side.

    Args:
        name: name of the object file.
        function: function of `addresses` data addresses (`array` makes arrays of them) and then
            `integers` whole numbers; returns a whole number.
    """

    def __init__(self, name: str, function: Callable[..., int], addresses: int, integers: int) -> None:
        self.name = name
        self._function = function
        self._addresses = addresses
        self._integers = integers
        self._call: Callable[..., int] | None = None
        self._engine: Any = None

    @property
    def object_file(self) -> Path:
        """Where the compiled form lies, or will lie."""
        return _cache_folder() / f"{self.name}-{_digest()}.o"

    @property
    def is_compiled(self) -> bool:
        """Whether a call needs no compilation."""
        return self._call is not None or self.object_file.exists()

    def prepare(self) -> None:
        """Compile and load it now, so that the first call takes no longer than any other."""
        self._ready()

    def __call__(self, *arguments: int) -> int:
        """Run the kernel; addresses first, then integers."""
        return (self._call or self._ready())(*arguments)

    def _ready(self) -> Callable[..., int]:
        """The loaded kernel. One thread loads it: a second engine would free the code that the first runs."""
        with _LOADING:
            if self._call is None:
                self._call = self._load()
            return self._call

    def _load(self) -> Callable[..., int]:
        """Link the object file into this process, compiling it first where there is none."""
        path = self.object_file
        machine = _target_machine()
        if not path.exists():
            _write_whole(path, self._compile(machine))
        _name_helpers()
        self._engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
        self._engine.add_object_file(llvm.ObjectFileRef.from_data(path.read_bytes()))
        self._engine.finalize_object()
        arguments = [ctypes.c_void_p] * self._addresses + [ctypes.c_int64] * self._integers
        prototype = ctypes.CFUNCTYPE(ctypes.c_int64, *arguments)
        return prototype(self._engine.get_function_address(self.name))

    def _compile(self, machine: Any) -> bytes:
        """Machine code of the kernel and of all that it calls."""
        numba = _numba()
        types = numba.types
        signature = types.int64(*[types.voidptr] * self._addresses, *[types.int64] * self._integers)
        names = {**self._function.__globals__, array.__name__: numba.carray}
        compiled = numba.cfunc(signature)(FunctionType(self._function.__code__, names))
        module = llvm.parse_assembly(compiled.inspect_llvm())
        for function in module.functions:
            if not function.is_declaration:
                function.linkage = "internal"
        entry = module.get_function(compiled.native_name)
        entry.name, entry.linkage = self.name, "external"
        return cast(bytes, machine.emit_object(module))


def _target_machine() -> Any:
    """The processor at hand, as LLVM sees it."""
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    features = llvm.get_host_cpu_features().flatten()
    return llvm.Target.from_default_triple().create_target_machine(
        cpu=llvm.get_host_cpu_name(), features=features, opt=3, reloc="pic", codemodel="default"
    )


def _name_helpers() -> None:
    """Make numba's run-time helpers, which its error paths refer to, known to the linker."""
    for prefix, module in (("numba_", "_helperlib"), ("NRT_", "core/runtime/_nrt_python")):
        for name, address in _extension(module).c_helpers.items():
            llvm.add_symbol(prefix + name, address)


def _extension(path: str) -> Any:
    """An extension module of numba's, by its path in the package, without the package itself."""
    package = importlib.util.find_spec("numba")
    assert package is not None
    assert package.origin is not None
    file = Path(package.origin).parent / path
    (found,) = (
        shared
        for suffix in importlib.machinery.EXTENSION_SUFFIXES
        if (shared := file.with_name(file.name + suffix)).exists()
    )
    loader = importlib.machinery.ExtensionFileLoader(file.name, str(found))
    spec = importlib.util.spec_from_loader(file.name, loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    loader.exec_module(module)
    return module


def _write_whole(path: Path, data: bytes) -> None:
    """Write a file at once, so that another process never reads half of it."""
    handle, name = tempfile.mkstemp(dir=path.parent)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
    Path(name).replace(path)
