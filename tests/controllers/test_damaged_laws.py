"""Damaged law files: whatever the text is, the compiler compiles it or says what is wrong with it."""

import tempfile
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from controllers.catalogue import law_names, law_path
from controllers.lower import compile_law
from controllers.program import Program
from targets.errors import InputError
from tests.controllers.support import make_binding

LAWS = [law_path(name).read_text(encoding="utf-8") for name in law_names()]
PIECES = st.sampled_from(
    [
        *("self", "hw", ".", "(", ")", "=", ":", "'", "# ", "\n", "    ", "\0", "é"),
        *("u8", "number", "gain", "q(3, 4)", "0", "-1", "1e400", "1 << 40", "/ 0", "//", "<"),
        *("and", "not", "if", "for i in range(9):", "return", "lambda: 0"),
    ]
)


@st.composite
def damaged_laws(draw: st.DrawFn) -> str:
    """A shipped law with pieces cut out and others put in."""
    text = draw(st.sampled_from(LAWS))
    for _ in range(draw(st.integers(1, 4))):
        begin = draw(st.integers(0, len(text)))
        end = min(len(text), begin + draw(st.integers(0, 12)))
        text = text[:begin] + draw(st.one_of(st.just(""), PIECES)) + text[end:]
    return text


def outcome(path: Path, arithmetic: str) -> Program | InputError:
    """The program or the faults; any other exception is a failure of the compiler."""
    try:
        return compile_law(path, make_binding(arithmetic))
    except InputError as error:
        return error


@given(text=damaged_laws(), arithmetic=st.sampled_from(["i16", "i32", "q16.16", "f32"]))
def test_damaged_law_compiles_or_is_refused_with_a_place(text: str, arithmetic: str) -> None:
    """Neither a traceback nor a fault without a line."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "damaged.py"
        path.write_text(text, encoding="utf-8")
        result = outcome(path, arithmetic)
    faults = result.faults if isinstance(result, InputError) else ()
    assert isinstance(result, Program) or faults
    places = (f"{path}:", f"{law_path('duty_pi').parents[1]}/")  # the file, or one that it derives from
    assert all(fault.place.startswith(places) for fault in faults)
