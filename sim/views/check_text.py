"""The answer of `tickspin check` as text for a terminal."""

import textwrap
from collections.abc import Iterator

from controllers.check.result import FAILS, NOT_APPLICABLE, Counterexample, Unreached, Verdict
from sim.design import apply_overrides, design_text
from sim.design.faults import toml
from sim.studies.checks import Checked
from sim.studies.stress import Stressed
from sim.views.proofs_text import proofs_text
from sim.views.text import WIDTH, fitted_texts, rounding_texts

_MARKS = {FAILS: "FAILS", NOT_APPLICABLE: "  -  "}
_INDENT = "    "


def check_text(checked: Checked) -> str:
    """Verdict, properties, counterexamples with their C vectors, spin-ups, branches."""
    bench = checked.bench
    blocks = [
        "\n".join(_heading(checked)),
        "\n".join(_property_lines(bench.verdicts)),
        *("\n".join(_counterexample(verdict)) for verdict in bench.verdicts if verdict.counterexample),
        proofs_text(checked.proofs),
        "\n".join(_spins(checked.spins)),
        "\n".join(_branches(bench.branches, bench.examples, bench.unreached)),
    ]
    return "\n\n".join(blocks)


def lost_text(checked: Checked, seed: int) -> str:
    """The spin-up that lost synchronism as a scenario file, with the `seed` of its search in the heading."""
    spins = checked.spins
    heading = (
        f"A spin-up that `tickspin check {checked.design.firmware.law}` found, seed {seed}: {spins.found}. "
        f"Stress on {checked.design.name}: {', '.join(spins.counterexample)}. Gains that were fitted there "
        "stand in firmware.parameters, so that this is the same firmware."
    )
    return design_text(apply_overrides(checked.design, spins.overrides), heading)


def _heading(checked: Checked) -> Iterator[str]:
    bench, design, firmware = checked.bench, checked.design, checked.firmware
    failed = sum(verdict.outcome == FAILS for verdict in bench.verdicts) + (not checked.spins.holds)
    outcome = "no counterexample found" if not failed else f"{failed} COUNTEREXAMPLE{'S' * (failed > 1)}"
    yield f"{design.firmware.law} in {bench.arithmetic}: {outcome}."
    yield (
        f"{firmware.target.name}, timer tick {firmware.tick_s * 1e6:.4g} us, {firmware.timer_bits} bits; "
        f"{bench.examples:,} event sequences, {bench.calls:,} calls of handlers."
    )
    yield from (f"fitted   {text}" for text in fitted_texts(firmware.program))
    yield from (f"rounded  {text}" for text in rounding_texts(firmware.program))


def _property_lines(verdicts: tuple[Verdict, ...]) -> Iterator[str]:
    width = max(len(verdict.name) for verdict in verdicts)
    for verdict in verdicts:
        mark = _MARKS.get(verdict.outcome, "holds")
        yield f"  {mark}  {verdict.name:<{width}}  {verdict.says}"
        if verdict.detail:
            yield from _indented(verdict.detail, " " * (width + 11))


def _counterexample(verdict: Verdict) -> Iterator[str]:
    example = verdict.counterexample
    assert example is not None
    yield f"{verdict.name}: {example.place}, in {example.handler}"
    yield f"{_INDENT}{example.text}"
    yield from _indented(f"expected  {example.expected}")
    yield from _indented(f"found     {example.found}")
    yield f"{_INDENT}events"
    yield from (f"{_INDENT}    {line}" for line in example.scenario.lines())
    yield from _indented(f"state     {_pairs(example)}")
    yield from _indented(f"reads     {_ports(example.inputs)}")
    yield from _indented(f"writes    {_ports(example.outputs)}")
    yield f"{_INDENT}C test vector (with the files of `tickspin export`)"
    yield from (f"{_INDENT}    {line}" for line in example.vector.splitlines())


def _pairs(example: Counterexample) -> str:
    texts = (f"{name} = {value:,}" for name, value in example.state.items())
    return ", ".join(texts) or "as at reset"


def _ports(pairs: tuple[tuple[str, int], ...]) -> str:
    return ", ".join(f"{name} {value:,}" for name, value in pairs) or "nothing"


def _indented(text: str, indent: str = _INDENT) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + " " * 10)


def _spins(spins: Stressed) -> Iterator[str]:
    if spins.reason:
        yield from textwrap.wrap(f"Spin-ups under stress: not tried; {spins.reason}.", WIDTH)
        return
    yield (
        f"{spins.spin_ups} spin-ups under stress: {spins.stalls} never came to speed, "
        f"{spins.recovered} fell back and recovered, {spins.stood} stood still in between."
    )
    if spins.holds:
        yield "  holds  in none of them synchronism was lost for good"
        if not spins.stood:
            yield "    -    no stress stopped the rotor: how the law starts again was not tried"
        return
    yield from textwrap.wrap(
        f"  FAILS  {spins.found}; smallest stress found:", WIDTH, subsequent_indent=" " * 9
    )
    yield from (f"{_INDENT}    {line}" for line in spins.counterexample)
    yield f"{_INDENT}as keys of the scenario"
    for key, value in spins.overrides.items():
        yield f"{_INDENT}    {key} = {toml(value)}" if value is not None else f"{_INDENT}    {key} left out"
    yield f"{_INDENT}--lost FILE.toml writes this spin-up as a scenario; then: tickspin run FILE.toml"


def _branches(ways: int, examples: int, unreached: tuple[Unreached, ...]) -> Iterator[str]:
    yield f"Branches: {ways - len(unreached)} of {ways} ways were taken."
    if unreached:
        yield f"Never in {examples:,} event sequences:"
    for way in unreached:
        leads = f"on to {way.leads_to}" if way.leads_to else "one way of a choice within the line"
        proof = " (proved impossible)" if way.is_impossible else ""
        yield f"  {way.place}, {leads}{proof}: {way.text}"
