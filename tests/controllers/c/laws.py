"""Laws made for the tests: every operation on every kind, and random nests of statements."""

import random
from collections.abc import Iterator
from itertools import product

INTEGERS = ("u8", "i8", "u16", "i16", "u32", "i32")
FIXED = ("q(3, 4)", "q(0, 7)", "q(7, 8)", "q(0, 15)", "q(15, 16)", "q(0, 31)")
FLOATS = ("f32", "f64")
BITS = {"u8": 8, "i8": 8, "u16": 16, "i16": 16, "u32": 32, "i32": 32}
Law = tuple[str, str]
"""Declarations and the body of on_start, as `law_text` takes them."""


def _law(kinds: dict[str, str], values: list[tuple[str, str]]) -> Law:
    """Variables of given kinds, and a variable for each (kind, expression)."""
    declarations = [f"{name} = var({kind}, 0)" for name, kind in kinds.items()]
    body: list[str] = []
    for number, (kind, expression) in enumerate(values):
        declarations.append(f"r{number} = var({kind}, 0)")
        body.append(f"self.r{number} = {expression}")
    return "\n".join(declarations), "\n".join(body)


def integer_operations(kind: str) -> Law:
    """Every operation of an integer kind on variables, and on a variable and a constant."""
    signed, bits = kind.startswith("i"), BITS[kind]
    constants = [1, 2, 3, 7, 64, (1 << (bits - 1)) - 1, *([-1, -3, -(1 << (bits - 1))] if signed else [])]
    values = [f"self.a {sign} self.b" for sign in ("+", "-", "*", "//", "%", "&", "|", "^")]
    values += [
        f"self.a {sign} {c}" for sign, c in product(("+", "-", "*", "//", "%", "&", "|", "^"), constants)
    ]
    values += [f"{c} {sign} self.b" for sign, c in product(("-", "//", "%"), constants)]
    values += [f"self.a {sign} {n}" for sign, n in product(("<<", ">>"), (0, 1, 3, bits - 1))]
    values += [
        f"{f}(self.a, self.b)"
        for f in ("wrap_add", "wrap_sub", "sat_add", "sat_sub", "sat_mul", "min", "max")
    ]
    values += [
        "(self.a + 1) * (self.b - 1) - self.a",
        "self.a - (self.b - (self.a - 3))",
        "(self.a >> 1) + (self.b >> 1)",
    ]
    values += ["(self.a // 3) * 3 + self.a % 3", "self.a // (self.b | 1)"]
    if signed:
        values += ["-self.a", "abs(self.a)", "-(self.a >> 1)", "-(-self.a)"]
    wide = {8: kind[0] + "16", 16: kind[0] + "32"}.get(bits)
    typed = [(kind, value) for value in values]
    typed += [(wide, "mul_wide(self.a, self.b)")] if wide else []
    return _law({"a": kind, "b": kind}, typed)


def fixed_operations(kind: str) -> Law:
    """Every operation of a fixed-point kind."""
    values = [f"self.a {sign} self.b" for sign in ("+", "-", "*", "/", "%")]
    values += [f"{f}(self.a, self.b)" for f in ("sat_add", "sat_sub", "sat_mul", "min", "max")]
    values += [
        "-self.a",
        "abs(self.a)",
        "self.a * 0.5",
        "self.a / 0.5",
        "self.a / 0.3",
        "self.a * 0.7",
        "0.4 / self.b",
    ]
    return _law({"a": kind, "b": kind}, [(kind, value) for value in values])


def float_operations(kind: str) -> Law:
    """Every operation of a float kind."""
    values = [f"self.a {sign} self.b" for sign in ("+", "-", "*", "/")]
    values += [f"{f}(self.a, self.b)" for f in ("sat_add", "sat_sub", "sat_mul", "min", "max")]
    values += [
        "-self.a",
        "abs(self.a)",
        "self.a / 8",
        "self.a / 3",
        "self.a * 0.1",
        "2.5e-30 / self.b",
        "self.a - 1e20",
    ]
    values += ["self.a * self.b + self.a", "(self.a - self.b) * (self.a + self.b) / 3"]
    return _law({"a": kind, "b": kind}, [(kind, value) for value in values])


def wide_operations(kind: str) -> Law:
    """Every operation of a 64-bit kind; the halves of each result are kept."""
    narrow, other = ("u32", "i32") if kind == "u64" else ("i32", "u32")
    make = [f"x = mul_wide(self.a, self.b) + {kind}(self.c)", f"y = {kind}(self.d)", f"z = {kind}(self.b)"]
    values = [
        f"x {sign} {right}" for sign, right in product(("+", "-", "*", "//", "%"), ("y", "z", "3", "x"))
    ]
    values += [f"x {sign} {n}" for sign, n in product(("<<", ">>"), (0, 1, 31, 32, 63))]
    values += ["min(x, y)", "max(x, y)"] + (["-x", "abs(x)", "x // -1"] if kind == "i64" else [])
    declarations = [
        f"a = var({narrow}, 0)",
        f"b = var({narrow}, 0)",
        f"c = var({other}, 0)",
        "d = var(u16, 0)",
    ]
    body = make
    for number, value in enumerate(values):
        declarations += [
            f"h{number} = var({narrow}, 0)",
            f"l{number} = var(u32, 0)",
            f"s{number} = var(i16, 0)",
        ]
        body += [
            f"v{number} = {value}", f"self.h{number} = {narrow}(v{number} >> 32)",
            f"self.l{number} = wrap(u32, v{number})", f"self.s{number} = sat(i16, v{number})",
        ]  # fmt: skip
    declarations += ["flags = var(u8, 0)"]
    for bit, sign in enumerate(("<", "<=", ">", ">=", "==", "!=")):
        body += [f"if x {sign} y:", f"    self.flags = self.flags | {1 << bit}"]
    return "\n".join(declarations), "\n".join(body)


def conversions(kind: str) -> Law:
    """Every conversion to a kind."""
    sources = {f"s{n}": source for n, source in enumerate((*INTEGERS, *FIXED, *FLOATS))}
    values = [(kind, f"{kind}(self.{name})") for name in sources]
    if kind not in FLOATS:
        values += [(kind, f"sat({kind}, self.{name})") for name in sources]
    if kind in INTEGERS:
        values += [
            (kind, f"wrap({kind}, self.{name})") for name, source in sources.items() if source in INTEGERS
        ]
        values += [
            (kind, f"{kind}(self.{name} >> 3)") for name, source in sources.items() if source in INTEGERS
        ]
    return _law(sources, values)


def comparisons(kind: str) -> Law:
    """Every comparison, alone and with its opposite, on variables and with a constant."""
    signs = ("<", "<=", ">", ">=", "==", "!=")
    declarations, body = [f"a = var({kind}, 0)", f"b = var({kind}, 0)"], []
    for number, (sign, right, word) in enumerate(product(signs, ("self.b", "3"), ("", "not "))):
        declarations.append(f"r{number} = var(u8, 0)")
        body += [
            f"if {word}self.a {sign} {right}:",
            f"    self.r{number} = 1",
            "else:",
            f"    self.r{number} = 2",
        ]
    return "\n".join(declarations), "\n".join(body)


def arrays() -> Law:
    """Arrays and tables of several kinds, read and written at constant and at variable places."""
    declarations = """i = var(u8, 0)
j = var(u16, 0)
a = array(i16, 5, -2)
f = array(f32, 3, 0.5)
w = array(u32, 1, 7)
all_of_u8 = array(u8, 256, 1)
T = table(i32, (5, -70000, 2147483647, -2147483648))
F = table(f32, (0.1, -2.5, 1e-30))
x = var(i32, 0)
y = var(f32, 0)
k = var(u8, 0)"""
    body = """self.x = self.T[self.i] + self.T[1]
self.y = self.F[self.j] + self.f[self.i] * self.F[2]
self.a[self.j] = self.a[self.i] + self.a[2]
self.a[0] = self.a[self.i >> 6]
self.f[self.i] = self.y
self.f[1] = self.f[self.j] - self.f[1]
self.w[self.i] = self.w[0] + u32(self.all_of_u8[self.i])
self.all_of_u8[self.i] = self.k
n = self.i % 5
self.a[n] = i16(len(self.a))
self.a[self.a_place()] = self.a[n]"""
    return declarations, body


A_PLACE = """def a_place(self) -> u8:
    if self.k > 4:
        return 4
    self.k += 1
    return self.k"""


class RandomLaw:
    """A law of random statements: nested conditions, early returns, helpers with values, reads and writes of
    the hardware; the same seed gives the same law."""

    LOCALS = ("p", "q_", "n")

    def __init__(self, seed: int) -> None:
        self._draw = random.Random(seed)
        self._helpers = [f"h{n}" for n in range(self._draw.randrange(3))]
        self._calls_left = 0

    def text(self) -> tuple[str, str, str]:
        """Declarations, body of on_start, helpers."""
        names = [f"{name} = var(i16, 0)" for name in ("a", "b", "c", "step")]
        declarations = "\n".join([*names, "m = array(i16, 3, 1)"])
        helpers = "\n".join(self._helper(n) for n in range(len(self._helpers)))
        others = "".join(
            f"def {handler}(self) -> None:\n{self._body(len(self._helpers), ())}\n"
            for handler in ("on_hall_edge", "on_step_timer", "on_control_tick")
        )
        calls = "\n".join(f"self.c = self.{helper}(self.a, self.b)" for helper in self._helpers)
        body = "\n".join(line[4:] for line in self._body(len(self._helpers), ()).split("\n"))
        return declarations, f"{calls}\n{body}", others + helpers

    def _body(self, helpers: int, known: tuple[str, ...], result: bool = False) -> str:
        self._calls_left = 2  # each call stands in line: more would make the law explode
        start = [f"{name} = i16({self._draw.randint(-9, 9)})" for name in self.LOCALS]
        lines = [*start, *self._block(3, helpers, (*self.LOCALS, *known), result)]
        return "\n".join(f"    {line}" for line in [*lines, *(["return p"] if result else [])])

    def _helper(self, number: int) -> str:
        head = f"def {self._helpers[number]}(self, x: i16, y: i16) -> i16:"
        return f"{head}\n{self._body(0, ('x', 'y'), True)}"

    def _block(self, depth: int, helpers: int, names: tuple[str, ...], result: bool) -> Iterator[str]:
        for _ in range(self._draw.randint(1, 4)):
            yield from self._statement(depth, helpers, names, result)
        if self._draw.random() < 0.15:
            yield f"return {self._value(1, helpers, names)}" if result else "return"

    def _statement(self, depth: int, helpers: int, names: tuple[str, ...], result: bool) -> Iterator[str]:
        choice = self._draw.random()
        if choice < 0.4 and depth:
            yield f"if {self._condition(2, helpers, names)}:"
            yield from (f"    {line}" for line in self._block(depth - 1, helpers, names, result))
            if self._draw.random() < 0.3:
                yield f"elif {self._condition(1, helpers, names)}:"
                yield from (f"    {line}" for line in self._block(depth - 1, helpers, names, result))
            if self._draw.random() < 0.5:
                yield "else:"
                yield from (f"    {line}" for line in self._block(depth - 1, helpers, names, result))
        elif choice < 0.55:
            yield f"hw.set_duty(u16({self._value(2, helpers, names)}))"
        elif choice < 0.75:
            yield f"{self._draw.choice(self.LOCALS)} = {self._value(2, helpers, names)}"
        elif choice < 0.85:
            yield f"self.m[u8({self._value(1, helpers, names)})] = {self._value(1, helpers, names)}"
        else:
            yield f"self.{self._draw.choice(('a', 'b', 'c', 'step'))} = {self._value(2, helpers, names)}"

    def _condition(self, depth: int, helpers: int, names: tuple[str, ...]) -> str:
        choice = self._draw.random()
        if depth and choice < 0.5:
            word = self._draw.choice((" and ", " or "))
            parts = [self._condition(depth - 1, helpers, names) for _ in range(self._draw.randint(2, 3))]
            return f"({word.join(parts)})"
        if depth and choice < 0.6:
            return f"not ({self._condition(depth - 1, helpers, names)})"
        sign = self._draw.choice(("<", "<=", ">", ">=", "==", "!="))
        left, right = self._value(1, helpers, names), self._draw.choice((self._leaf(names), "3", "0"))
        return f"{left} {sign} {right if right != left else '5'}"

    def _value(self, depth: int, helpers: int, names: tuple[str, ...]) -> str:
        choice = self._draw.random()
        if not depth or choice < 0.35:
            return self._leaf(names)
        one, other = self._value(depth - 1, helpers, names), self._value(depth - 1, helpers, names)
        if helpers and choice < 0.45 and self._calls_left:
            self._calls_left -= 1
            return f"self.{self._helpers[self._draw.randrange(helpers)]}({one}, {other})"
        if choice < 0.55:
            return f"{self._draw.choice(('min', 'max', 'wrap_add', 'sat_sub'))}({one}, {self._leaf(names)})"
        return f"({one} {self._draw.choice(('+', '-', '*', '//', '%', '&'))} {other})"

    def _leaf(self, names: tuple[str, ...]) -> str:
        ports = ("i16(hw.timer())", "i16(hw.hall())")
        return self._draw.choice((*names, *names, "self.a", "self.b", "self.step", "self.m[1]", *ports))
