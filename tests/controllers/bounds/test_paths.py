"""The longest and the shortest way through a handler, and the lines that name it."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from controllers.bounds import best_paths, worst_paths
from controllers.catalogue import law_names, law_path
from controllers.cost import MAXIMUM, MINIMUM, LinkedProgram, link
from controllers.graph import longest_routes, shortest_routes, successors
from controllers.lower import compile_law
from controllers.opcodes import RET
from controllers.program import Program
from controllers.room import Room
from targets import load_target
from tests.controllers.support import Bench, compile_text, law_text, make_binding

VARIABLES = "a = var(u16, 0)\nb = var(u8, 0)"


def priced(program: Program) -> LinkedProgram:
    """The Program with random prices, least below greatest."""
    prices = np.sort(np.random.default_rng(8).integers(0, 50, size=(len(program.code), 3)))
    return LinkedProgram(program, "any", prices, 0 * prices, {}, {}, {}, 0, 0, 0, Room(True, "", {}))


def every_path(program: Program, pc: int) -> list[tuple[int, ...]]:
    after = list(successors(program, pc))
    return [(pc, *rest) for target in after for rest in every_path(program, target)] or [(pc,)]


@pytest.mark.parametrize("law", law_names())
def test_routes_are_the_extremes_of_all_paths(law: str) -> None:
    """Every path of every handler of the shipped laws, one by one, with random prices."""
    program = compile_law(law_path(law), make_binding("i32"))
    cost = np.random.default_rng(5).integers(0, 50, size=len(program.code))
    longest, shortest = longest_routes(program, cost), shortest_routes(program, cost)
    for handler, entry in program.handlers.items():
        totals = {path: int(cost[list(path)].sum()) for path in every_path(program, entry)}
        for route, extreme in ((longest[handler], max), (shortest[handler], min)):
            assert route.cost == extreme(totals.values()) == totals[route.pcs]


@pytest.mark.parametrize("law", law_names())
def test_path_runs_from_the_entry_to_the_return_and_costs_what_is_said(law: str) -> None:
    program = compile_law(law_path(law), make_binding("i32"))
    linked = priced(program)
    for paths, level in ((worst_paths(linked), MAXIMUM), (best_paths(linked), MINIMUM)):
        for handler, path in paths.items():
            assert path.pcs[0] == program.handlers[handler]
            assert program.code[path.pcs[-1], 0] == RET
            assert all(b in successors(program, a) for a, b in pairwise(path.pcs))
            assert path.cycles == linked.cycles[list(path.pcs), level].sum()


def test_worst_path_is_that_of_the_linker(tmp_path: Path) -> None:
    text = law_text("if self.a > 5:\n    self.a //= 7\nelse:\n    self.b += 1\nhw.set_step(2)", VARIABLES)
    linked = link(compile_text(tmp_path, text), load_target("avr5"))
    assert {h: path.cycles for h, path in worst_paths(linked).items()} == linked.worst_case_cycles


def test_lines_of_a_path_are_runs_over_blanks_and_comments(tmp_path: Path) -> None:
    body = (
        "self.a = 1\n\n# nothing here\nself.b = 2\nif self.a > 5:\n    self.a //= 7\nself.help()\nself.b = 4"
    )
    helper = "def help(self) -> None:\n    self.b = 3"
    program = compile_text(tmp_path, law_text(body, VARIABLES, helper))
    first = program.lines[0]
    paths = worst_paths(link(program, load_target("m0")))["on_start"]
    # the division belongs to the longest path, the call is a line without instructions of its own
    assert paths.lines == ((first, first + 5), (first + 9, first + 9), (first + 7, first + 7))
    assert paths.places == (f"lines {first}-{first + 5}", f"line {first + 9}", f"line {first + 7}")
    shortest = best_paths(link(program, load_target("m0")))["on_start"]
    assert shortest.lines[0] == (first, first + 4)
    returned = Bench(program, np.ascontiguousarray(link(program, load_target("m0")).cycles[:, MINIMUM]))
    assert returned.call("on_start") == shortest.cycles


def test_lines_of_a_base_law_are_named_with_its_file(tmp_path: Path) -> None:
    text = (
        "from controllers.dialect import hw\nfrom controllers.laws.open_ramp import OpenRamp\n\n\n"
        'class Try(OpenRamp):\n    """Try."""\n\n'
        "    def on_hall_edge(self) -> None:\n        self.step = 3\n        hw.set_step(self.step)\n"
    )
    own = compile_law(law_path("open_ramp"), make_binding("i32"))
    paths = worst_paths(priced(compile_text(tmp_path, text)))
    assert paths["on_hall_edge"].places == ("lines 9-10",)
    base = worst_paths(priced(own))["on_start"]
    named = (place if " of " in place else f"{place} of open_ramp.py" for place in base.places)
    assert paths["on_start"].places == tuple(named)
