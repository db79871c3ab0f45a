"""What a scenario may refer to by name: the shipped laws and targets.

The packages are imported on the first question, so that importing the schema stays quick.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from targets import Target


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


def find_target(name: str) -> Target:
    """The shipped target of that name (`load_target` keeps what it has read)."""
    from targets import load_target

    return load_target(name)
