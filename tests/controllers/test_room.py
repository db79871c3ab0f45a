"""What fits, and where the estimate is not good enough to say so."""

import pytest

from controllers.accuracy import FLASH, Comparison
from controllers.room import FLASH_ERROR, STACK_SPARE_BYTES, room
from targets import load_target

START_UP, FREE = 96, 2048 - 96
"""Flash of acc8: start-up code, which is known, and the rest, in which the law lies."""


# (bytes of the law, fits, too close): what compiles to as much as fits is told as 0.75 to 1.25 of it
FLASH_CASES = [
    (FREE * 3 // 4, True, False),
    (FREE * 3 // 4 + 1, True, True),
    (FREE, True, True),
    (FREE + 1, False, True),
    (FREE * 5 // 4, False, True),
    (FREE * 5 // 4 + 1, False, False),
]


@pytest.mark.parametrize(("law_bytes", "fits", "is_close"), FLASH_CASES)
def test_flash_is_too_close_to_call_within_the_error_of_the_estimate(
    law_bytes: int, fits: bool, is_close: bool
) -> None:
    found = room(load_target("acc8"), START_UP + law_bytes, 10, 0)
    assert (found.fits, set(found.close)) == (fits, {"flash"} if is_close else set())
    compiled = Comparison("", "", "", "", FLASH, law_bytes, FREE)
    assert is_close == (-FLASH_ERROR < compiled.error <= FLASH_ERROR)


def test_what_was_never_measured_is_told_so() -> None:
    full = {name: load_target(name) for name in ("acc8", "m0")}
    words = {name: room(t, t.memory.flash_bytes, 10, 0).close["flash"] for name, t in full.items()}
    assert words["m0"] == "too close to call: the estimate is good to 25 %"
    assert words["acc8"] == f"{words['m0']} (never measured on acc8)"


# (bytes over, of them stack, fits, too close)
RAM_CASES = [
    (0, 100, True, False),  # the stack is never told too small
    (1, 100, False, True),
    (STACK_SPARE_BYTES, 100, False, True),
    (STACK_SPARE_BYTES + 1, 100, False, False),
    (1, 0, False, False),  # variables are counted, not estimated
]


@pytest.mark.parametrize(("over", "stack", "fits", "is_close"), RAM_CASES)
def test_ram_is_too_close_to_call_where_a_smaller_stack_would_do(
    over: int, stack: int, fits: bool, is_close: bool
) -> None:
    target = load_target("m0")
    found = room(target, 1000, target.memory.ram_bytes + over, stack)
    assert (found.fits, set(found.close)) == (fits, {"RAM"} if is_close else set())
    if is_close:
        assert found.close["RAM"] == f"too close to call: the stack may take {STACK_SPARE_BYTES} bytes less"
