"""Damaged law files: whatever the text is, the compiler compiles it or says what is wrong with it."""

import tempfile
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from controllers.catalogue import law_names, law_path
from controllers.lower import compile_law
from controllers.program import Program
from targets.errors import InputError
from tests.controllers.support import law_text, make_binding

ALL_WORDS = law_text(
    """self.a = self.twice(self.v[self.b]) + mul_wide(self.b, 3)
self.v[len(self.T) - 1] = sat(u16, self.s)
self.v[self.b] += 2
self.x = scale(number(self.a), self.kp) / 2
self.fx = sat_mul(self.fx, self.fx)
self.w = mul_wide(i32(self.s), 5) // 3
self.b = max(wrap(u8, self.a), self.T[2])
if self.w < -5 and not self.fx >= 0.5:
    for i in range(len(self.v)):
        self.v[i] = u16(i)
with hw.masked():
    hw.set_duty(sat_add(self.a, hw.duty_top))""",
    """a = var(u16, 0)
b = var(u8, 0)
s = var(i16, 0)
x = var(number, 0)
w = var(i64, 0)
fx = var(q(3, 12), 0)
v = array(u16, 4, 0)
T = table(u8, (1, 2, 3))
kp = param(gain, "kp_duty_per_rpm", 0.0001, low=0, high=1, about="gain")""",
    "def twice(self, x: u16) -> u16:\n    return x * 2",
)
LAWS = [law_path(name).read_text(encoding="utf-8") for name in law_names()] + [ALL_WORDS] * 3
PIECES = st.sampled_from(
    [
        *("self", "hw", ".", "(", ")", "=", ":", "'", "# ", "\n", "    ", "\0", "é"),
        *("u8", "number", "gain", "q(3, 4)", "0", "-1", "1e400", "1 << 40", "/ 0", "//", "<"),
        *("and", "not", "if", "for i in range(9):", "return", "lambda: 0"),
        *(
            "[",
            "]",
            "[0]",
            "self.v",
            "self.T",
            "u64",
            "i64",
            "sat(u8, ",
            "wrap(i8, ",
            "mul_wide(",
            "len(",
            "-> u8",
        ),
        *("with hw.masked():", "self.twice(", "array(u8, 3, 0)", "1 << 63", "18446744073709551615", "1e-400"),
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
    shipped = law_path("duty_pi").parents[1].glob("*/*.py")
    places = (f"{path}:", *(f"{file.name}:" for file in shipped))  # the file, or one that it derives from
    assert all(fault.place.startswith(places) for fault in faults)
