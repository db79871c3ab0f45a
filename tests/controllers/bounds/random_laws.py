"""Random laws: typed statements over variables of every kind, with branches, loops, arrays and ports."""

from hypothesis import strategies as st

from controllers.program import HANDLERS
from tests.controllers.support import IMPORTS

DECLARATIONS = """u = var(u8, 3)
v = var(u8, 200)
a = var(u16, 0)
d = var(u16, 60000)
s = var(i16, -5)
w = var(i32, 7)
m = var(u32, 9)
x = var(number, 0)
y = var(number, 1)
f = var(f32, 0.5)
h = var(q(7, 8), 0.25)
r = array(u8, 5, 1)
k = table(u16, (10, 20, 40000))
kp = param(gain, "kp_duty_per_rpm", 1e-4, low=0, high=1, about="gain")"""
VARIABLES = {
    "u8": ("u", "v"), "u16": ("a", "d"), "i16": ("s",), "i32": ("w",), "u32": ("m",), "number": ("x", "y"),
    "f32": ("f",), "q(7, 8)": ("h",),
}  # fmt: skip
LITERALS = {
    "u8": ("0", "1", "3", "7", "100", "255"), "u16": ("0", "1", "6", "255", "1000", "65535"),
    "i16": ("0", "1", "-1", "-7", "300", "32767"), "i32": ("0", "1", "-3", "70000", "-2147483648"),
    "u32": ("0", "1", "5", "65536", "4294967295"), "number": ("0", "1", "-2", "3", "100"),
    "f32": ("0.0", "1.0", "-0.5", "255.0", "3e38", "1e-30"), "q(7, 8)": ("0", "0.5", "-3.25", "100"),
}  # fmt: skip
INTEGERS = ("u8", "u16", "i16", "i32", "u32")
OPERATORS = ("+", "-", "*", "//", "%", "&", "|", "^")
REALS = {"number": ("+", "-", "*", "/"), "f32": ("+", "-", "*", "/"), "q(7, 8)": ("+", "-", "*", "/")}
SIGNED = ("i16", "i32", "number", "f32", "q(7, 8)")

COMPARISONS = ("<", "<=", ">", ">=", "==", "!=")


class Writer:
    """Writes statements and expressions, drawing every choice."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw

    def pick(self, *choices: str) -> str:
        return self.draw(st.sampled_from(choices))

    def chance(self, of_ten: int) -> bool:
        return self.draw(st.integers(0, 9)) < of_ten

    def variable(self, kind: str) -> str:
        return f"self.{self.pick(*VARIABLES[kind])}"

    def expression(self, kind: str, depth: int) -> str:
        """A value of `kind`; constants never stand alone in an operation, where the compiler might refuse."""
        if depth == 0:
            return self.variable(kind)
        left, right = self.expression(kind, depth - 1), self.operand(kind, depth - 1)
        forms = [f"min({left}, {right})", f"max({left}, {right})", f"sat_add({left}, {right})"]
        forms += [f"sat_sub({left}, {right})", f"sat_mul({left}, {right})", self.conversion(kind, depth - 1)]
        forms += [left] + ([f"abs({left})", f"(-{left})"] if kind in SIGNED else [])
        signs = OPERATORS if kind in INTEGERS else REALS[kind]
        forms += [self.arithmetic(left, self.pick(*signs), right, kind) for _ in range(4)]
        if kind in INTEGERS:
            forms += [f"wrap_add({left}, {right})", f"wrap_sub({left}, {right})"]
            forms += [f"({left} << {self.pick('1', '5')})", f"({left} >> {self.pick('1', '6')})"]
        forms += {"u8": ["self.r[self.u]", "hw.hall()"], "u16": ["self.k[self.v]", "hw.command_rpm()"],
                  "number": [f"scale({left}, self.kp)"], "i32": self.wide(depth)}.get(kind, [])  # fmt: skip
        return self.pick(*forms)

    def operand(self, kind: str, depth: int) -> str:
        return self.pick(*LITERALS[kind]) if self.chance(4) else self.expression(kind, depth)

    def arithmetic(self, left: str, sign: str, right: str, kind: str) -> str:
        is_zero = sign in ("/", "//", "%") and right in ("0", "0.0")
        return f"({left} {sign} {self.variable(kind) if is_zero else right})"

    def conversion(self, kind: str, depth: int) -> str:
        source = self.pick(*VARIABLES)
        value = self.expression(source, min(depth, 1))
        if kind in INTEGERS and source in INTEGERS and self.chance(3):
            return f"wrap({kind}, {value})"
        return f"sat({kind}, {value})" if self.chance(3) else f"{kind}({value})"

    def wide(self, depth: int) -> list[str]:
        a, b = (self.expression("i32", depth - 1) for _ in range(2))
        sign = self.pick("+", "-", "*", "//", "%")
        return [
            f"i32(mul_wide({a}, {b}) {sign} i64({a}))",
            f"i32((i64({a}) * 9 - mul_wide({b}, {b})) >> {self.pick('3', '20')})",
        ]

    def condition(self) -> str:
        kind = self.pick(*VARIABLES)
        left = self.expression(kind, 1) if self.chance(3) else self.variable(kind)
        test = f"{left} {self.pick(*COMPARISONS)} {self.operand(kind, 0)}"
        return f"{test} {self.pick('and', 'or')} {self.condition()}" if self.chance(3) else test

    def statement(self, depth: int) -> list[str]:
        choice = self.draw(st.integers(0, 9))
        if choice < 4 or depth == 0:
            kind = self.pick(*VARIABLES)
            return [f"{self.variable(kind)} = {self.expression(kind, 2)}"]
        if choice < 7:
            other = self.block(depth - 1)
            tail = ["else:", *(f"    {line}" for line in other)] if self.chance(5) else []
            return [f"if {self.condition()}:", *(f"    {line}" for line in self.block(depth - 1)), *tail]
        if choice == 7:
            return [
                f"for i{depth} in range({self.pick('2', '3')}):",
                *(f"    {s}" for s in self.block(depth - 1)),
            ]
        return [
            self.pick(
                f"self.r[{self.expression('u8', 1)}] = {self.expression('u8', 1)}",
                f"hw.set_step({self.expression('u8', 1)})",
                f"hw.set_duty({self.expression('u16', 1)})",
                "self.a = u16(hw.timer())",
            )
        ]

    def block(self, depth: int) -> list[str]:
        return [line for _ in range(self.draw(st.integers(1, 3))) for line in self.statement(depth)]

    def guarded(self, depth: int) -> list[str]:
        """Statements, some of them masked."""
        lines = self.block(depth)
        if self.chance(3):
            lines += ["with hw.masked():", *(f"    {line}" for line in self.block(1))]
        return lines


@st.composite
def laws(draw: st.DrawFn) -> str:
    """Text of a law with two to four handlers."""
    writer = Writer(draw)
    handlers = [name for name in HANDLERS if name == "on_start" or writer.chance(6)]
    methods = [
        f"    def {name}(self) -> None:\n" + "\n".join(f"        {line}" for line in writer.guarded(2))
        for name in handlers
    ]
    declared = "\n".join(f"    {line}" for line in DECLARATIONS.splitlines())
    return f'{IMPORTS}\n\n\nclass Try(Law):\n    """Try."""\n\n{declared}\n\n' + "\n\n".join(methods) + "\n"
