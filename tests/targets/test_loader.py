"""The loader refuses every faulty file, naming all faults at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from targets import COST_KEYS, InputError, Target, load_target
from targets.loader import DATA_FOLDER, MOST_KEYS_NAMED

SHIPPED_TEXT = (DATA_FOLDER / "acc8.toml").read_text(encoding="utf-8")
OWN_TEXT = SHIPPED_TEXT.replace('name = "acc8"', 'name = "mine"')

I32_ADD = "i32_add = { cycles = [8, 14, 14], bytes = 28 }"
# (what the edit does, text replaced in acc8.toml, its replacement, the whole message)
EDITS = [
    (
        "a gap in the cost table",
        I32_ADD + "\n",
        "",
        "edited.toml: costs: every operation must be priced, found no row for i32_add; add them",
    ),
    (
        "an unknown cost key",
        "i32_add =",
        "i32_adds = { cycles = [1, 1, 1], bytes = 2 }\ni32_add =",
        "edited.toml: costs.add_subtract.i32_adds: a cost key must be one of targets.cost_keys, "
        "found 'i32_adds'; write i32_add or remove the row",
    ),
    (
        "an operation priced in two groups",
        "[costs.logic]\n",
        "[costs.logic]\n" + I32_ADD + "\n",
        "edited.toml: costs.add_subtract.i32_add: a cost key must be priced once, "
        "found it also in logic; keep one row",
    ),
    (
        "cycles out of order",
        I32_ADD,
        I32_ADD.replace("8, 14, 14", "15, 14, 14"),
        "edited.toml: costs.add_subtract.i32_add: cycles must be [minimum, typical, maximum] in rising "
        "order, found [15, 14, 14]; put the three numbers in order",
    ),
    (
        "two cycles in place of three",
        I32_ADD,
        I32_ADD.replace("8, 14, 14", "8, 14"),
        "edited.toml: costs.add_subtract.i32_add.cycles.2: this must be given, found none; add it",
    ),
    (
        "one number in place of three",
        I32_ADD,
        I32_ADD.replace("[8, 14, 14]", "14"),
        "edited.toml: costs.add_subtract.i32_add.cycles: this must be a list of numbers, found 14; "
        "correct the value",
    ),
    (
        "negative cycles",
        I32_ADD,
        I32_ADD.replace("8, 14, 14", "-8, 14, 14"),
        "edited.toml: costs.add_subtract.i32_add.cycles.0: this must be 0 or more, "
        "found -8; correct the value",
    ),
    (
        "text in place of a number",
        I32_ADD,
        I32_ADD.replace("28", '"28"'),
        "edited.toml: costs.add_subtract.i32_add.bytes: this must be a whole number, "
        "found '28'; correct the value",
    ),
    (
        "a group without source",
        '[costs.logic]\nsource = "derived here from the instruction set of the class (from memory, check)"\n',
        "[costs.logic]\n",
        "edited.toml: costs.logic.source: this must be given, found none; add it",
    ),
    (
        "a blank source",
        'source = "from memory: members differ, check the data sheet"',
        'source = " "',
        "edited.toml: step_timer.source: the text must not be blank, found ' '; "
        "say where the value comes from, or what it is",
    ),
    (
        "an unknown key",
        "clock_divider = 4",
        "clock_divider = 4\nchannels = 2",
        "edited.toml: step_timer.channels: no key of this name is known here, found 2; "
        "remove it or correct its spelling",
    ),
    (
        "a routine without size",
        "mul_8x8            = { bytes = 48, stack_bytes = 0 }\n",
        "",
        "edited.toml: routines: every routine called must have a size, "
        "found none for 'mul_8x8'; add its flash bytes",
    ),
    (
        "a routine that nothing calls",
        "mul_8x8            = { bytes = 48, stack_bytes = 0 }\n",
        "mul_8x8            = { bytes = 48, stack_bytes = 0 }\n"
        "square_root = { bytes = 90, stack_bytes = 0 }\n",
        "edited.toml: routines.square_root: every routine must be called by a cost row, "
        "found no row; remove it",
    ),
    (
        "a default clock above the highest",
        "default_Hz = 16e6",
        "default_Hz = 64e6",
        "edited.toml: clock: low_Hz <= default_Hz <= high_Hz must hold, found 1e+06, 6.4e+07, 3.2e+07; "
        "correct the frequency that is out of order",
    ),
    (
        "more fixed flash than flash",
        "flash_bytes = 2048",
        "flash_bytes = 64",
        "edited.toml: memory: the fixed parts must fit the memory, found flash 96 of 64, RAM 24 of 128; "
        "correct the sizes in bytes",
    ),
    (
        "prescalers out of order",
        "prescalers = [1, 2, 4,",
        "prescalers = [1, 4, 2,",
        "edited.toml: step_timer: prescalers must rise and none may appear twice, "
        "found [1, 4, 2, 8, 16, 32, 64, 128, 256]; sort the list",
    ),
    (
        "another usual clock outside the range",
        "other_usual_Hz = [32e6]",
        "other_usual_Hz = [64e6]",
        "edited.toml: clock: other_usual_Hz must lie between low_Hz and high_Hz and differ from default_Hz, "
        "found 6.4e+07; correct or remove the frequency",
    ),
    (
        "the usual clock twice",
        "other_usual_Hz = [32e6]",
        "other_usual_Hz = [16e6]",
        "edited.toml: clock: other_usual_Hz must lie between low_Hz and high_Hz and differ from default_Hz, "
        "found 1.6e+07; correct or remove the frequency",
    ),
    (
        "no clock tolerance",
        "tolerance = 0.03\n",
        "",
        "edited.toml: clock.tolerance: this must be given, found none; add it",
    ),
    (
        "wait states out of order",
        "word_bits = 8",
        "word_bits = 8\nwait_states_above_Hz = [20e6, 10e6]",
        "edited.toml: memory: wait_states_above_Hz must rise, found 2e+07, 1e+07; sort the list",
    ),
    (
        "wait states of which nobody knows what a read brings",
        "word_bits = 8",
        "word_bits = 8\nwait_states_above_Hz = [10e6]",
        "edited.toml: memory: wait states need fetch_bytes and library_bytes_per_cycle, found 1 and 0; say "
        "what one flash read brings, and how fast code is read",
    ),
    (
        "reading ahead of which nobody knows how often routines jump",
        "word_bits = 8",
        "word_bits = 8\nwait_states_above_Hz = [10e6]\nlibrary_bytes_per_cycle = 2.0\nreads_ahead = true",
        "edited.toml: memory: wait states of a flash that reads ahead need library_jumps_per_cycle, found "
        "none; say how often library routines jump",
    ),
    (
        "cycles of a frame out of order",
        "calling = { cycles = [0, 0, 0], stack_bytes = 0 }",
        "calling = { cycles = [1, 0, 0], stack_bytes = 0 }",
        "edited.toml: frame.calling: cycles must be [minimum, typical, maximum] in rising order, "
        "found [1, 0, 0]; put the three numbers in order",
    ),
    (
        "a routine of which nobody knows the stack",
        "div_8_8            = { bytes = 32, stack_bytes = 0 }",
        "div_8_8            = { bytes = 32 }",
        "edited.toml: routines.div_8_8.stack_bytes: this must be given, found none; add it",
    ),
    (
        "an unknown kind of vectors",
        'vectors = "single"',
        'vectors = "many"',
        "edited.toml: interrupt.vectors: this must be one of the words that are known here, found 'many'; "
        "write 'single' or 'separate'",
    ),
    (
        "tail-chaining on a core with one vector",
        "poll_cycles = 3",
        "poll_cycles = 3\ntail_chain_cycles = 6",
        "edited.toml: interrupt: only a core with separate vectors and several levels chains handlers, "
        "found 6 cycles with single vectors, 1 levels; remove tail_chain_cycles or correct the others",
    ),
    (
        "a timer without its action",
        'action = "compare"\n',
        "",
        "edited.toml: step_timer.action: this must be given, found none; add it",
    ),
    (
        "a floating-point unit beside additions by routine",
        'floating_point_unit = "none"',
        'floating_point_unit = "f32"',
        "edited.toml: costs.float32.f32_add: an addition calls a routine unless the floating-point unit does "
        "it, found floating_point_unit = 'f32' and a routine; correct one of the two",
    ),
    (
        "an addition of floats without unit and without routine",
        'f64_add       = { cycles = [428, 803, 863], bytes = 98, routine = "float64_add" }',
        "f64_add       = { cycles = [428, 803, 863], bytes = 98 }",
        "edited.toml: costs.float64.f64_add: an addition calls a routine unless the floating-point unit does "
        "it, found floating_point_unit = 'none' and no routine; correct one of the two",
    ),
    (
        "a price that is not marked as indicative",
        'price_source = "indicative, from memory, override"',
        'price_source = "a distributor"',
        "edited.toml: price_source: a price must be marked as indicative, found 'a distributor'; "
        "begin with 'indicative' and say where it is from",
    ),
    (
        "a step timer of 24 bits",
        "width_bits = 16\nprescalers",
        "width_bits = 24\nprescalers",
        "edited.toml: step_timer: the step timer must be 16 or 32 bits wide, found 24; "
        "use 16 for a wider one that is not 32: what fits it fits the real one",
    ),
    (
        "cycles that no sum could hold",
        "entry_cycles = 27",
        "entry_cycles = 99999999999",
        "edited.toml: interrupt.entry_cycles: this must be 4,294,967,296 or less, "
        "found 99999999999; correct the value",
    ),
    (
        "a PWM timer wider than any number",
        "width_bits = 10",
        "width_bits = 1000000",
        "edited.toml: pwm.width_bits: this must be 64 or less, found 1000000; correct the value",
    ),
]


def load_text(text: str, folder: Path) -> Target:
    """The target of a data file with the content `text`."""
    path = folder / "edited.toml"
    path.write_text(text, encoding="utf-8")
    return load_target(str(path))


def edit(text: str, old: str, new: str) -> str:
    """`text` with its only `old` replaced."""
    assert text.count(old) == 1
    return text.replace(old, new)


@pytest.mark.parametrize(("old", "new", "message"), [row[1:] for row in EDITS], ids=[row[0] for row in EDITS])
def test_one_bad_edit_gives_exactly_its_own_fault(old: str, new: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load_text(edit(OWN_TEXT, old, new), tmp_path)
    assert [str(fault) for fault in caught.value.faults] == [message]


def test_all_faults_of_a_file_are_reported_together(tmp_path: Path) -> None:
    text = OWN_TEXT
    independent = [EDITS[3], *EDITS[8:12]]  # edits that do not touch each other's text
    for _, old, new, _ in independent:
        text = edit(text, old, new)
    with pytest.raises(InputError) as caught:
        load_text(text, tmp_path)
    assert {str(fault) for fault in caught.value.faults} == {row[3] for row in independent}
    assert str(caught.value).count("\n") == len(independent) - 1


@pytest.mark.parametrize(
    "section", ["clock", "memory", "step_timer", "pwm", "interrupt", "frame", "routines", "costs.data"]
)
def test_every_group_needs_a_source(section: str, tmp_path: Path) -> None:
    head, section_start, tail = OWN_TEXT.partition(f"\n[{section}]\n")
    with pytest.raises(InputError) as caught:
        load_text(head + section_start + tail.replace("source =", "origin =", 1), tmp_path)
    assert f"edited.toml: {section}.source" in {fault.place for fault in caught.value.faults}


@pytest.mark.parametrize(("content", "rule"), [(b"name = ", "TOML"), (b"\xff", "TOML"), (None, "readable")])
def test_unreadable_file_is_a_fault_at_its_path(content: bytes | None, rule: str, tmp_path: Path) -> None:
    path = tmp_path / "broken.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        load_target(str(path))
    (fault,) = caught.value.faults
    assert fault.place == str(path)
    assert rule in fault.rule


def test_a_file_without_costs_for_most_keys_names_some_and_counts_the_rest(tmp_path: Path) -> None:
    head, start, _ = OWN_TEXT.partition("[costs.add_subtract]\n")
    text = head + start + 'source = "mine"\nu8_add = { cycles = [1, 1, 1], bytes = 2 }\n'
    with pytest.raises(InputError) as caught:
        load_text(text, tmp_path)
    (gap,) = (str(fault) for fault in caught.value.faults if "priced" in fault.rule)
    assert "no row for u8_sub, u8_mul, u8_div" in gap
    assert gap.endswith(f"and {len(COST_KEYS) - 1 - MOST_KEYS_NAMED} more; add them")
    assert "edited.toml: routines" in {fault.place for fault in caught.value.faults}


def test_flash_without_wait_states_may_read_ahead(tmp_path: Path) -> None:
    target = load_text(OWN_TEXT.replace("word_bits = 8", "word_bits = 8\nreads_ahead = true"), tmp_path)
    assert target.memory.reads_ahead
