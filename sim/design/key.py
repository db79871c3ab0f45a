"""One key of the scenario: how it is declared, and the text that messages and starter make from it.

The declaration in `schema` is the only place where a key's unit, bounds, default and explanation stand.
"""

from __future__ import annotations

import functools
import types
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, Field
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

_BOUND_NAMES = ("ge", "le", "min_length", "max_length")
_NUMBER_WORDS = {float: "a number", int: "a whole number"}


def declare(
    about: str,
    unit: str = "",
    *,
    example: Any = None,
    shown: bool = False,
    default_text: str = "",
    **field: Any,
) -> Any:
    """A pydantic field of the schema.

    about: one line of explanation. unit: unit of the value, "" for none. example: value in the starter
    scenario where that differs from the default. shown: an optional key that the starter scenario states all
    the same. default_text: words for a default that is not a plain value. field: default and bounds, as
    pydantic names them.
    """
    extra = {"unit": unit, "example": example, "shown": shown, "default_text": default_text}
    return Field(description=about, json_schema_extra=extra, **field)


def number_text(value: float) -> str:
    """A number for people, exact: as many digits as it takes, `1e-07` as `1e-7`, `20000.0` as `20000`."""
    short = f"{value:.10g}"
    mantissa, _, exponent = (short if float(short) == value else repr(value)).partition("e")
    return f"{mantissa}e{int(exponent)}" if exponent else mantissa


@dataclass(frozen=True)
class Key:
    """What is known about one key, or about one section (`kind` "section")."""

    path: str  # dotted, without indices: "command.steps.at_s"
    kind: Literal["number", "choice", "text", "list", "table", "section"]
    unit: str
    about: str
    required: bool
    shown: bool
    default: Any  # None where the default is derived from something else or is "not there"
    default_text: str
    example: Any
    base: type  # float, int or str
    choices: tuple[str, ...]
    bounds: Mapping[str, float]

    @property
    def name(self) -> str:
        return self.path.rpartition(".")[2]

    @property
    def section(self) -> str:
        return self.path.rpartition(".")[0]

    @property
    def allowed(self) -> str:
        """The values that are allowed, with their unit: "0.001 to 1000 ohm"."""
        return _ALLOWED_TEXTS[self.kind](self)


def _allowed_number(key: Key) -> str:
    span = f"{number_text(key.bounds['ge'])} to {number_text(key.bounds['le'])}"
    return " ".join(filter(None, (span, key.unit)))


def _allowed_choice(key: Key) -> str:
    return ", ".join(f'"{choice}"' for choice in key.choices)


def _allowed_text(key: Key) -> str:
    low, high = key.bounds["min_length"], key.bounds["max_length"]
    return f"text of {number_text(low)} to {number_text(high)} characters on one line"


def _allowed_list(key: Key) -> str:
    return f"a list of any of {_allowed_choice(key)}" if key.choices else "a list of tables"


_ALLOWED_TEXTS: Mapping[str, Callable[[Key], str]] = {
    "number": _allowed_number,
    "choice": _allowed_choice,
    "text": _allowed_text,
    "list": _allowed_list,
    "table": lambda _: "a table of numbers",
    "section": lambda key: f"a table [{key.path}]" if key.path else "a table",
}


def _without_none(annotation: Any) -> Any:
    """The annotation T of `T | None`."""
    if get_origin(annotation) in (Union, types.UnionType):
        return next(part for part in get_args(annotation) if part is not type(None))
    return annotation


def _kind_of(annotation: Any) -> tuple[Any, type, tuple[str, ...]]:
    """Kind, base type and choices of a field annotation."""
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        return "choice", str, parts
    if origin is tuple:
        return "list", str, get_args(parts[0])
    if origin is dict:
        return "table", float, ()
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "section", dict, ()
    return ("text" if annotation is str else "number"), annotation, ()


def _key_of(path: str, info: FieldInfo) -> Key:
    extra = info.json_schema_extra
    assert isinstance(extra, dict), f"{path} is not made by declare()"
    kind, base, choices = _kind_of(_without_none(info.annotation))
    bounds = {
        name: getattr(item, name) for item in info.metadata for name in _BOUND_NAMES if hasattr(item, name)
    }
    default = None if info.default is PydanticUndefined else info.default
    return Key(
        path=path,
        kind=kind,
        unit=str(extra["unit"]),
        about=info.description or "",
        required=info.is_required(),
        shown=bool(extra["shown"]),
        default=default,
        default_text=str(extra["default_text"]),
        example=extra["example"] if extra["example"] is not None else default,
        base=base,
        choices=choices,
        bounds=bounds,
    )


def nested_model(info: FieldInfo) -> type[BaseModel] | None:
    """The model behind a section or behind the elements of a list of tables; None for a plain key."""
    annotation = _without_none(info.annotation)
    if get_origin(annotation) is tuple:
        annotation = get_args(annotation)[0]
    return annotation if isinstance(annotation, type) and issubclass(annotation, BaseModel) else None


@functools.cache
def keys_of(model: type[BaseModel], prefix: str = "") -> Mapping[str, Key]:
    """All keys of a model and of the models inside it, by dotted path, in the order of the schema."""
    keys: dict[str, Key] = {}
    for name, info in model.model_fields.items():
        path = f"{prefix}{name}"
        keys[path] = _key_of(path, info)
        inner = nested_model(info)
        if inner is not None:
            keys.update(keys_of(inner, f"{path}."))
    return types.MappingProxyType(keys)


def wanted(key: Key) -> str:
    """The kind of value that a key wants: "a whole number", "a list"."""
    words = {"choice": "text", "text": "text", "list": "a list", "table": "a table", "section": "a table"}
    return words.get(key.kind) or _NUMBER_WORDS[key.base]
