"""The one way bad input is reported: a list of faults, each with its place and its remedy."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass


def printable(text: str) -> str:
    """Text in which line ends and all else that would spoil a message or a terminal are escapes."""
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in text)


def nearest(name: str, candidates: Iterable[str]) -> str | None:
    """The candidate that was probably meant: it continues `name` or is close to it; case is ignored."""
    by_lower = {candidate.lower(): candidate for candidate in candidates}
    lower = name.lower()
    longer = [candidate for candidate in by_lower if candidate.startswith(f"{lower}_")]
    close = difflib.get_close_matches(lower, by_lower, n=1)
    return next((by_lower[match] for match in [*longer[:1], *close]), None)


def choice_remedy(name: str, choices: Iterable[str]) -> str:
    """What to do about a name that is none of the choices."""
    choices = tuple(choices)
    match = nearest(name, choices)
    hint = f'did you mean "{match}"? ' if match else ""
    return f"{hint}allowed: {', '.join(choices)}"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with an input, and what to do about it."""

    place: str  # "file: key" or "file:line:col"
    rule: str  # what must hold
    found: str  # the value that breaks the rule
    remedy: str  # what the user should do

    def __str__(self) -> str:
        return f"{self.place}: {self.rule}, found {self.found}; {self.remedy}"


class InputError(Exception):
    """Every bad input of the whole project; carries all the faults found (command line exit status 2)."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Fault, ...]]]:
        return type(self), (self.faults,)  # worker processes must be able to send it back
