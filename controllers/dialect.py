"""The words of the dialect, for editors and type checkers only: a law file imports them and is never
executed.

What the words mean is stated in `controllers.parse` and `controllers.lower`; here they only have types, so
that mypy refuses a law that mixes kinds as the compiler does.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, Generic, Self, TypeVar, overload

Word = TypeVar("Word")
Whole = TypeVar("Whole", bound="_Integer")
Any_ = TypeVar("Any_", bound="_Number")


class _Number:
    """What all kinds have. A literal takes the kind of the other operand."""

    def __init__(self, value: "_Number | float") -> None: ...
    def __add__(self, other: Self | float) -> Self:
        raise NotImplementedError

    def __radd__(self, other: float) -> Self:
        raise NotImplementedError

    def __sub__(self, other: Self | float) -> Self:
        raise NotImplementedError

    def __rsub__(self, other: float) -> Self:
        raise NotImplementedError

    def __mul__(self, other: Self | float) -> Self:
        raise NotImplementedError

    def __rmul__(self, other: float) -> Self:
        raise NotImplementedError

    def __neg__(self) -> Self:
        raise NotImplementedError

    def __abs__(self) -> Self:
        raise NotImplementedError

    def __eq__(self, other: object) -> bool:
        raise NotImplementedError

    def __lt__(self, other: Self | float) -> bool:
        raise NotImplementedError

    def __le__(self, other: Self | float) -> bool:
        raise NotImplementedError

    def __gt__(self, other: Self | float) -> bool:
        raise NotImplementedError

    def __ge__(self, other: Self | float) -> bool:
        raise NotImplementedError


class _Integer(_Number):
    """Integers: `//` and `%` truncate toward zero as in C."""

    def __floordiv__(self, other: Self | int) -> Self:
        raise NotImplementedError

    def __rfloordiv__(self, other: int) -> Self:
        raise NotImplementedError

    def __mod__(self, other: Self | int) -> Self:
        raise NotImplementedError

    def __and__(self, other: Self | int) -> Self:
        raise NotImplementedError

    def __or__(self, other: Self | int) -> Self:
        raise NotImplementedError

    def __xor__(self, other: Self | int) -> Self:
        raise NotImplementedError

    def __lshift__(self, other: int) -> Self:
        raise NotImplementedError

    def __rshift__(self, other: int) -> Self:
        raise NotImplementedError


class _Real(_Number):
    """Floats, fixed point and `number`: `/`."""

    def __truediv__(self, other: Self | float) -> Self:
        raise NotImplementedError

    def __rtruediv__(self, other: float) -> Self:
        raise NotImplementedError


class u8(_Integer):  # noqa: N801 (a word of the dialect)
    """Unsigned, 8 bits."""


class i8(_Integer):  # noqa: N801 (a word of the dialect)
    """Signed, 8 bits."""


class u16(_Integer):  # noqa: N801 (a word of the dialect)
    """Unsigned, 16 bits."""


class i16(_Integer):  # noqa: N801 (a word of the dialect)
    """Signed, 16 bits."""


class u32(_Integer):  # noqa: N801 (a word of the dialect)
    """Unsigned, 32 bits."""


class i32(_Integer):  # noqa: N801 (a word of the dialect)
    """Signed, 32 bits."""


class u64(_Integer):  # noqa: N801 (a word of the dialect)
    """Unsigned, 64 bits: an intermediate."""


class i64(_Integer):  # noqa: N801 (a word of the dialect)
    """Signed, 64 bits: an intermediate."""


class ticks(_Integer):  # noqa: N801 (a word of the dialect)
    """Count of the step timer: u16 or u32, as wide as the timer."""


class f32(_Real):  # noqa: N801 (a word of the dialect)
    """IEEE 754 single precision."""


class f64(_Real):  # noqa: N801 (a word of the dialect)
    """IEEE 754 double precision."""


class number(_Real):  # noqa: N801 (a word of the dialect)
    """The arithmetic that the scenario binds."""


class fixed(_Real):  # noqa: N801 (a word of the dialect)
    """Signed fixed point, made by `q(m, n)`."""


class gain:  # noqa: N801 (a word of the dialect)
    """A real factor, used only as scale(x, gain)."""


class Law:
    """Base class of every control law."""


class _Variable(Generic[Word]):
    """A static variable: read as its kind, assigned its kind or a literal."""

    def __get__(self, instance: Law, owner: type[Law]) -> Word:
        raise NotImplementedError

    def __set__(self, instance: Law, value: Word | float) -> None:
        raise NotImplementedError


def var(kind: type[Word], initial: float) -> _Variable[Word]:
    """Declare a static variable."""
    raise NotImplementedError


def const(kind: type[Word], value: float) -> Word:
    """Declare a named constant."""
    raise NotImplementedError


def param(
    kind: type[Word],
    key: str,
    default: float,
    *,
    low: float,
    high: float,
    about: str,
    times: float = 1,
    fitted: bool = False,
) -> Word:
    """Declare a parameter of [firmware.parameters]; default and range in the unit that the key ends in.
    fitted: a scenario that does not give it fits it to its motor; the default is for a Binding without."""
    raise NotImplementedError


class _Row(Generic[Word]):
    """Elements in a row; an index is u8, u16 or constant."""

    def __getitem__(self, index: "u8 | u16 | int") -> Word:
        raise NotImplementedError

    def __len__(self) -> int:
        raise NotImplementedError


class _Array(_Row[Word]):
    """Static variables in a row."""

    def __setitem__(self, index: "u8 | u16 | int", value: Word | float) -> None:
        raise NotImplementedError


def array(kind: type[Word], length: int, initial: float) -> _Array[Word]:
    """Declare `length` static variables in a row, 1..256."""
    raise NotImplementedError


def table(kind: type[Word], values: tuple[float, ...]) -> _Row[Word]:
    """Declare constants in a row, in flash."""
    raise NotImplementedError


def q(integer_bits: int, fraction_bits: int) -> type[fixed]:
    """Signed fixed point of 8, 16 or 32 bits, with or without the sign counted in `integer_bits`."""
    raise NotImplementedError


def wrap_add(a: Whole, b: Whole | int) -> Whole:
    """a + b where the wrap is meant."""
    raise NotImplementedError


def wrap_sub(a: Whole, b: Whole | int) -> Whole:
    """a - b where the wrap is meant."""
    raise NotImplementedError


def sat_add(a: Any_, b: Any_ | float) -> Any_:
    """a + b held within the kind."""
    raise NotImplementedError


def sat_sub(a: Any_, b: Any_ | float) -> Any_:
    """a - b held within the kind."""
    raise NotImplementedError


def sat_mul(a: Any_, b: Any_ | float) -> Any_:
    """a * b held within the kind."""
    raise NotImplementedError


@overload
def mul_wide(a: u8, b: u8 | int) -> u16: ...
@overload
def mul_wide(a: i8, b: i8 | int) -> i16: ...
@overload
def mul_wide(a: u16, b: u16 | int) -> u32: ...
@overload
def mul_wide(a: i16, b: i16 | int) -> i32: ...
@overload
def mul_wide(a: u32, b: u32 | int) -> u64: ...
@overload
def mul_wide(a: i32, b: i32 | int) -> i64: ...
def mul_wide(a: _Integer, b: _Integer | int) -> _Integer:
    """The whole product, in the kind of twice the width."""
    raise NotImplementedError


def sat(kind: type[Any_], x: _Number) -> Any_:
    """x as a `kind`, held within its range."""
    raise NotImplementedError


def wrap(kind: type[Whole], x: _Integer) -> Whole:
    """The low bits of x, where the loss is meant."""
    raise NotImplementedError


def scale(x: number, factor: gain) -> number:
    """x times a gain; in integer arithmetic a 15-bit mantissa and a right shift, toward minus infinity."""
    raise NotImplementedError


class _Hardware:
    """The registers a law can reach: `controllers.ports` lists them."""

    duty_top: u16
    timer_top: ticks
    rpm_ticks: u32
    STEP_OFF: u8

    def timer(self) -> ticks:
        """Count of the free-running step timer."""
        raise NotImplementedError

    def captured(self) -> ticks:
        """Count latched at the last Hall edge."""
        raise NotImplementedError

    def hall(self) -> u8:
        """Level of the Hall sensor, 0 or 1."""
        raise NotImplementedError

    def command_rpm(self) -> u16:
        """Commanded speed in rpm."""
        raise NotImplementedError

    def tripped(self) -> u8:
        """1 where the over-current comparator has tripped since this was last read, which clears it."""
        raise NotImplementedError

    @contextmanager
    def masked(self) -> Iterator[None]:
        """Inside `with hw.masked():` no interrupt is taken."""
        raise NotImplementedError

    def set_compare(self, count: ticks | int) -> None:
        """Count at which on_step_timer is called next."""

    def set_step(self, step: u8 | int) -> None:
        """Commutation step 0..5, or STEP_OFF."""

    def set_duty(self, duty: u16 | int) -> None:
        """PWM counts of on-time, 0..duty_top."""


hw: Final = _Hardware()
