"""Lists of variants from `KEY=a,b` and `KEY=all`: every combination of several keys."""

import itertools
from collections.abc import Iterable, Sequence

from sim.design import Design, Override, Variant, choices_of
from targets import Fault, InputError

ALL = "all"
MOST_VARIANTS = 500
"""More rows than anyone reads; a sweep is the tool for that."""


def variants(design: Design, settings: Iterable[str]) -> list[Variant]:
    """Every combination of the values of `KEY=a,b,...` settings, the last key varying fastest.

    Raises:
        InputError: a setting is no `KEY=values`, `all` is asked of a key without a list of values, a key
        comes twice, or there are more than MOST_VARIANTS combinations.
    """
    columns = [_column(design, setting) for setting in settings]
    keys = [key for key, _ in columns]
    if len(set(keys)) != len(keys):
        raise InputError(
            [Fault("--vary", "must name a key once", ", ".join(keys), "put its values in one list")]
        )
    combinations = list(itertools.product(*(values for _, values in columns)))
    if len(combinations) > MOST_VARIANTS:
        found = f"{len(combinations):,} combinations"
        raise InputError([Fault("--vary", f"must give at most {MOST_VARIANTS}", found, "shorten a list")])
    return [_variant(keys, values) for values in combinations]


def _column(design: Design, setting: str) -> tuple[str, Sequence[str]]:
    """Key and values of one setting."""
    key, sign, text = setting.partition("=")
    values = [value.strip() for value in text.split(",")]
    if not sign or not key.strip() or not all(values):
        example = "for example firmware.target=acc8,m0 or firmware.target=all"
        raise InputError([Fault("--vary", "must be KEY=a,b,... or KEY=all", repr(setting), example)])
    key = key.strip()
    if values != [ALL]:
        return key, values
    choices = choices_of(design, key)
    if not choices:
        raise InputError([Fault("--vary", f"must list the values of {key}", ALL, "write KEY=a,b,...")])
    return key, choices


def _variant(keys: Sequence[str], values: Sequence[str]) -> Variant:
    overrides: dict[str, Override] = {key: _value(text) for key, text in zip(keys, values, strict=True)}
    return Variant(", ".join(values), overrides)


def _value(text: str) -> Override:
    """A number where the text is one; other text as it is (a name, or a change such as x1.2)."""
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text
