"""The words of the dialect, for editors and type checkers only: a law file imports them and is never executed.

What the words mean is stated in `controllers.parse` and `controllers.lower`; here they only have types, so that mypy
refuses a law that mixes kinds as the compiler does.
"""

from typing import Any, Generic, Protocol, Self, TypeVar, overload

Value = TypeVar("Value", bound="_Number")


class _Number:
    """What all kinds have. A literal takes the kind of the other operand."""

    def __init__(self, value: "_Number | float") -> None: ...
    def __add__(self, other: Self | float) -> Self: raise NotImplementedError
    def __radd__(self, other: float) -> Self: raise NotImplementedError
    def __sub__(self, other: Self | float) -> Self: raise NotImplementedError
    def __rsub__(self, other: float) -> Self: raise NotImplementedError
    def __mul__(self, other: Self | float) -> Self: raise NotImplementedError
    def __rmul__(self, other: float) -> Self: raise NotImplementedError
    def __neg__(self) -> Self: raise NotImplementedError
    def __abs__(self) -> Self: raise NotImplementedError
    def __lt__(self, other: Self | float) -> bool: raise NotImplementedError
    def __le__(self, other: Self | float) -> bool: raise NotImplementedError
    def __gt__(self, other: Self | float) -> bool: raise NotImplementedError
    def __ge__(self, other: Self | float) -> bool: raise NotImplementedError


class _Integer(_Number):
    """Integers: `//` and `%` truncate toward zero as in C."""

    def __floordiv__(self, other: Self | int) -> Self: raise NotImplementedError
    def __rfloordiv__(self, other: int) -> Self: raise NotImplementedError
    def __mod__(self, other: Self | int) -> Self: raise NotImplementedError
    def __and__(self, other: Self | int) -> Self: raise NotImplementedError
    def __or__(self, other: Self | int) -> Self: raise NotImplementedError
    def __xor__(self, other: Self | int) -> Self: raise NotImplementedError
    def __lshift__(self, other: int) -> Self: raise NotImplementedError
    def __rshift__(self, other: int) -> Self: raise NotImplementedError


class _Real(_Number):
    """Floats, fixed point and `number`: `/`."""

    def __truediv__(self, other: Self | float) -> Self: raise NotImplementedError
    def __rtruediv__(self, other: float) -> Self: raise NotImplementedError


class u8(_Integer): ...  # noqa: N801
class i8(_Integer): ...  # noqa: N801
class u16(_Integer): ...  # noqa: N801
class i16(_Integer): ...  # noqa: N801
class u32(_Integer): ...  # noqa: N801
class i32(_Integer): ...  # noqa: N801
class ticks(_Integer): ...  # noqa: N801
class f32(_Real): ...  # noqa: N801
class f64(_Real): ...  # noqa: N801
class number(_Real): ...  # noqa: N801
class gain: ...  # noqa: N801
