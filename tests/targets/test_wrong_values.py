"""Whatever value stands in a target file, what is wrong with it is said in our own words."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import ValidationError

from targets.loader import _RULES, DATA_FOLDER
from targets.schema import TargetFile

RAW: dict[str, Any] = tomllib.loads((DATA_FOLDER / "m0.toml").read_text(encoding="utf-8"))
ODD: list[Any] = [
    "x", "", "  ", True, -1, 0, 1.5, 1e300, float("inf"), float("nan"), 10**30,
    [], [1], [1, 2, 3, 4, 5], ["a"], [[1]], [-1, -1, -1], {}, {"a": 1},
]  # fmt: skip
"""What TOML can hold, and no key of a target may be, or only some."""


def paths(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every key and list element; of the costs one group, for the others are alike."""
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        here = (*path, key)
        if here[:1] != ("costs",) or here[1:2] in ((), ("add_subtract",)):
            yield here
            yield from paths(value, here)


def with_value(path: tuple[Any, ...], value: Any) -> dict[str, Any]:
    """The file with another value at a path."""
    changed = copy.deepcopy(RAW)
    node: Any = changed
    for key in path[:-1]:
        node = node[key]
    node[path[-1]] = value
    return changed


@pytest.mark.parametrize("path", list(paths(RAW)), ids=lambda path: ".".join(map(str, path)))
def test_what_is_wrong_is_said_in_our_own_words(path: tuple[Any, ...]) -> None:
    refused = 0
    for value in ODD:
        try:
            TargetFile.model_validate(with_value(path, value))
        except ValidationError as error:
            refused += 1
            for details in error.errors():
                if details["type"] != "broken_rule":  # one of our own rules, with its own words
                    words = _RULES[details["type"]].format(**details.get("ctx", {}))
                    assert "{" not in words
    assert refused
