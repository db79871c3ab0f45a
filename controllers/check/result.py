"""What a check says: one verdict per property, counterexamples, and the branches never reached."""

from dataclasses import dataclass
from typing import Any, Final

from controllers.check.scenario import Scenario

HOLDS: Final = "holds"
FAILS: Final = "fails"
NOT_APPLICABLE: Final = "not applicable"


@dataclass(frozen=True)
class Counterexample:
    """The smallest scenario found that breaks a property, and the one call of a handler that shows it.

    place: source line as `Program.place` names it; text: that line. state: statics that differ from their
    initial values when the handler begins. inputs, outputs: what it reads and writes (port, value), in order.
    expected, found: in words. vector: the same call as a C test vector.
    """

    handler: str
    place: str
    text: str
    scenario: Scenario
    state: dict[str, int | float]
    inputs: tuple[tuple[str, int], ...]
    outputs: tuple[tuple[str, int], ...]
    expected: str
    found: str
    vector: str

    def as_dict(self) -> dict[str, Any]:
        """Plain values for scripts."""
        return {
            "handler": self.handler,
            "place": self.place,
            "text": self.text,
            "events": self.scenario.lines(),
            "state": self.state,
            "inputs": [list(pair) for pair in self.inputs],
            "outputs": [list(pair) for pair in self.outputs],
            "expected": self.expected,
            "found": self.found,
            "vector": self.vector,
        }


@dataclass(frozen=True)
class Verdict:
    """Of one property: outcome (HOLDS, FAILS or NOT_APPLICABLE), what it says, how many examples were judged,
    a measured figure or the reason why it does not apply, and the counterexample."""

    name: str
    says: str
    outcome: str
    examples: int
    detail: str = ""
    counterexample: Counterexample | None = None

    def as_dict(self) -> dict[str, Any]:
        """Plain values for scripts."""
        example = self.counterexample
        return {
            "name": self.name,
            "says": self.says,
            "outcome": self.outcome,
            "examples": self.examples,
            "detail": self.detail,
            "counterexample": None if example is None else example.as_dict(),
        }


@dataclass(frozen=True)
class Unreached:
    """A way out of a branch that no example took: where the branch stands, its text, where the way leads (""
    where both ways stay in one line), and whether interval analysis proves that nothing can take it."""

    place: str
    text: str
    leads_to: str
    is_impossible: bool


@dataclass(frozen=True)
class Check:
    """The whole answer. branches: ways out of conditional jumps; examples: scenarios played; calls: handlers
    run in them."""

    law: str
    arithmetic: str
    verdicts: tuple[Verdict, ...]
    branches: int
    unreached: tuple[Unreached, ...]
    examples: int
    calls: int

    @property
    def holds(self) -> bool:
        """Whether no counterexample was found."""
        return all(verdict.outcome != FAILS for verdict in self.verdicts)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for scripts."""
        return {
            "law": self.law,
            "arithmetic": self.arithmetic,
            "holds": self.holds,
            "examples": self.examples,
            "handler_calls": self.calls,
            "properties": [verdict.as_dict() for verdict in self.verdicts],
            "branches": {
                "ways": self.branches,
                "unreached": [
                    {
                        "place": way.place,
                        "text": way.text,
                        "leads_to": way.leads_to,
                        "is_impossible": way.is_impossible,
                    }
                    for way in self.unreached
                ],
            },
        }
