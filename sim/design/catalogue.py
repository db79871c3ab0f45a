"""What a scenario may refer to by name: the shipped laws and targets.

User's files are named by their path. The packages are imported on the first question, so that importing the
schema stays quick.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from targets import Fault, Target


@functools.cache
def known_laws() -> tuple[str, ...]:
    """Names of the shipped control laws."""
    from controllers import law_names

    return tuple(law_names())


@functools.cache
def known_targets() -> tuple[str, ...]:
    """Names of the shipped targets."""
    from targets import target_names

    return tuple(target_names())


def find_target(name: str) -> Target | None:
    """The shipped target of that name, or the one in the data file of that path; None where there is none or
    the file has faults (`target_faults` tells them)."""
    from targets import InputError, load_target

    try:
        return load_target(name)
    except InputError:
        return None


def is_target(data: Mapping[str, Any]) -> bool:
    """Whether this is no scenario but what the data file of a target holds."""
    from targets import holds_target

    return holds_target(data)


def target_faults(name: str) -> tuple[Fault, ...]:
    """What is wrong with a target's data file; nothing where it is sound or `name` names no file."""
    from targets import InputError, is_target_file, load_target

    if not is_target_file(name):
        return ()
    try:
        load_target(name)
    except InputError as refused:
        return refused.faults
    return ()
