"""What analysis proves of a law, as text for a terminal."""

import textwrap
from collections.abc import Iterator

from controllers.bounds import SharedAccess, Variable, describe
from sim.studies.proofs import Proofs
from sim.views.text import WIDTH

_LIST_WIDTH = 16


def proofs_text(proofs: Proofs) -> str:
    """Longest paths, what is excluded and what is possible, ranges of the static variables, torn accesses."""
    return "\n".join(
        [
            f"For every input and order of events, by analysis (structure {proofs.structure}):",
            *_longest(proofs),
            *_verdicts(proofs),
            *_variables(proofs),
            *_torn(proofs),
        ]
    )


def _longest(proofs: Proofs) -> Iterator[str]:
    for name, path in proofs.longest.items():
        yield from _item("longest path", f"{name}, {path.cycles:,} clocks: {', '.join(path.places)}")


def _verdicts(proofs: Proofs) -> Iterator[str]:
    parts = [f"{check} {proved} of {count}" for check, (proved, count) in proofs.excluded.items()]
    yield from _item("excluded", ", ".join(parts) or "nothing can go wrong")
    for verdict in proofs.bounds.doubts:
        yield from _item("not excluded", describe(verdict))
    if proofs.bounds.unreached:
        yield from _item("never reached", ", ".join(proofs.bounds.unreached))


def _variables(proofs: Proofs) -> Iterator[str]:
    for variable in proofs.bounds.variables:
        if not variable.handler:
            yield from _item("variable", _variable_text(variable))


def _variable_text(variable: Variable) -> str:
    value = variable.value
    text = f"{value.name}, {variable.kind}: {value.low:.10g} to {value.high:.10g}"
    return text if variable.enough in ("", variable.kind) else f"{text}, {variable.enough} would do"


def _torn(proofs: Proofs) -> Iterator[str]:
    for access in proofs.torn:
        yield from _item("shared", _torn_text(access))
    if not proofs.torn:
        yield from _item("shared", "no access that an interrupt can tear")


def _torn_text(access: SharedAccess) -> str:
    where = f"{access.handler}, {', '.join(access.places)}"
    other = f"{access.other} may come in between, {', '.join(access.other_places)}"
    return f"{access.hazard} of {access.variable} ({access.kind}) in {where}: {other}"


def _item(head: str, text: str) -> list[str]:
    first, later = f"  {head:<{_LIST_WIDTH}}", " " * (_LIST_WIDTH + 2)
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)
