"""Nothing can go wrong in the shipped laws, whatever comes in: proved, not tried."""

from itertools import product
from pathlib import Path

import pytest

from controllers import compile_law, law_names, law_path, starting_law
from controllers.bounds import describe, find_bounds, torn_accesses
from controllers.priorities import PRIORITIES
from targets import InputError
from tests.controllers.support import make_binding

ARITHMETICS = ("i16", "i32", "q15.16", "q24.8", "f32", "f64")
WORDS_BITS = (8, 16, 32)
NOT_ITS_OWN = {"free_trim"}
"""Laws whose run is their own: that of the base is not reached."""


@pytest.mark.parametrize(("law", "arithmetic"), [*product(law_names(), ARITHMETICS)])
def test_a_shipped_law_is_free_of_doubt(law: str, arithmetic: str) -> None:
    try:
        program = compile_law(law_path(law), make_binding(arithmetic))
    except InputError as refused:
        pytest.skip(f"the arithmetic does not hold the law: {refused}")
    bounds = find_bounds(program)
    assert [describe(verdict) for verdict in bounds.doubts] == []
    assert law in NOT_ITS_OWN or not bounds.unreached
    assert len(bounds.verdicts) >= 3, "something that could go wrong was looked at"


@pytest.mark.parametrize("arithmetic", ARITHMETICS)
def test_the_starting_law_is_free_of_doubt(tmp_path: Path, arithmetic: str) -> None:
    path = tmp_path / "my_law.py"
    path.write_text(starting_law("my_law"), encoding="utf-8")
    program = compile_law(path, make_binding(arithmetic))
    assert [describe(verdict) for verdict in find_bounds(program).doubts] == []
    for word_bits in WORDS_BITS:
        assert torn_accesses(program, word_bits, PRIORITIES["interrupt"]) == ()
