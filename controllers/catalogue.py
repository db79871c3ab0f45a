"""The control laws that ship with tickspin."""

from keyword import iskeyword
from pathlib import Path
from typing import Final, NamedTuple

from controllers.lower.units import unit_of
from controllers.parse import parse_law
from controllers.parse.tree import Parameter
from controllers.program import HANDLERS
from targets.errors import Fault, InputError, choice_remedy

_FOLDER: Final = Path(__file__).resolve().parent / "laws"
_SUFFIX: Final = ".py"
_STARTER: Final = Path(__file__).resolve().parent / "starter" / "starting_law.py"
_STARTER_CLASS: Final = "StartingLaw"


class ParameterDescription(NamedTuple):
    """One parameter of a law: key of [firmware.parameters], unit, default and range in that unit, purpose.
    fitted: a scenario that does not give it fits it to its motor."""

    key: str
    unit: str
    default: float
    low: float
    high: float
    about: str
    fitted: bool


class LawDescription(NamedTuple):
    """What `tickspin controllers` shows of a law. sensors: Hall sensors it is written for, 1 or 3."""

    name: str
    summary: str
    handlers: tuple[str, ...]
    parameters: tuple[ParameterDescription, ...]
    sensors: int


def law_names() -> list[str]:
    """Names of the shipped laws."""
    return sorted(path.stem for path in _FOLDER.glob(f"*{_SUFFIX}") if path.stem != "__init__")


def law_path(name: str) -> Path:
    """File of a shipped law (a name), or the user's own law file (a path that ends in .py).

    Raises:
        InputError: where there is no such law or file.
    """
    own = Path(name)
    path = own if own.suffix == _SUFFIX else _FOLDER / f"{name}{_SUFFIX}"
    if (own.suffix != _SUFFIX and name not in law_names()) or not path.is_file():
        remedy = f"{choice_remedy(name, law_names())}, or the path of a law file"
        raise InputError([Fault("firmware.law", "is a shipped law or a law file", name, remedy)])
    return path


def starting_law(name: str) -> str:
    """Text of a commented law to start from, for a file `name`.py.

    Raises:
        InputError: `name` is no name for a law file.
    """
    class_name = "".join(word.capitalize() for word in name.split("_"))
    if not (name.isascii() and class_name.isidentifier() and name.isidentifier() and not iskeyword(name)):
        rule, remedy = "is letters, digits and _, not a digit first", "for example: tickspin new --law my_law"
        raise InputError([Fault("--law", rule, repr(name), remedy)])
    if name in law_names():
        rule = "the name must not be that of a shipped law, which is the one that the bare name stands for"
        raise InputError([Fault("--law", rule, repr(name), f"call it my_{name}, for example")])
    text = _STARTER.read_text(encoding="utf-8")
    return text.replace(_STARTER_CLASS, class_name).replace("NAME", name)


def describe_laws() -> list[LawDescription]:
    """Every shipped law, read from its file."""
    return [describe_law(law_path(name)) for name in law_names()]


def describe_law(path: Path) -> LawDescription:
    """One law, read from its file.

    Raises:
        InputError: with every fault of its text.
    """
    law = parse_law(path)
    parameters = tuple(
        ParameterDescription(d.key, _unit_name(d.key), d.default, d.low, d.high, d.about, d.fitted)
        for d in law.declarations.values()
        if isinstance(d, Parameter)
    )
    handlers = tuple(name for name in HANDLERS if name in law.methods)
    return LawDescription(law.name, law.summary, handlers, parameters, law.sensors)


def _unit_name(key: str) -> str:
    unit = unit_of(key)
    return "" if unit is None else unit.name
