"""Names of the law as C identifiers: the same wherever C allows it."""

import re
from typing import Final

_KEYWORDS: Final = frozenset(
    (
        "auto", "break", "case", "char", "const", "continue", "default", "do", "double", "else", "enum",
        "extern", "float", "for", "goto", "if", "inline", "int", "long", "register", "restrict", "return",
        "short", "signed", "sizeof", "static", "struct", "switch", "typedef", "union", "unsigned", "void",
        "volatile", "while",
    )
)  # fmt: skip
_LIBRARY: Final = re.compile(
    r"(a?(cos|sin|tan)h?|atan2|exp2?|expm1|[fr]?int|frexp|i?logb|ldexp|log(10|1p|2)?|modf|scalbl?n|cbrt|fabs|hypot"
    r"|pow|sqrt|erfc?|[lt]gamma|ceil|floor|nearbyint|l?l?rint|l?l?round|trunc|fmod|remainder|remquo|copysign|nan"
    r"|next(after|toward)|fdim|fm(ax|in|a))[fl]?"
    r"|(is|to)[a-z]+|(mem|str|wcs)[a-z]+|v?[fs]?n?(print|scan)f|[fp]?(get|put)(c|s|char)|(l?l?abs|l?l?div)"
    r"|f(open|close|read|write|flush|seek|tell)|ato(i|f|ll?)|s?rand|[cm]alloc|free|abort|exit|system|getenv|qsort"
    r"|bsearch|remove|rename|rewind|signal|raise|time|clock|main|asm|unix|linux|errno|signbit|index|j[01n]|y[01n]"
)
"""What compilers know as functions of the library: a variable of that name draws a warning."""
_TAKEN: Final = re.compile(
    r"u?int\w*_t|U?INT\w*|FLT_\w*|DBL_\w*|hw_\w*|replayed?_\w*|REPLAY_\w*|NAN|INFINITY|join_\d+"
    r"|(add|sub|mul|neg|div|mod|sat_add|sat_sub|sat|index|[ui]\d+_from)_\w*"
)
"""What the exported files define or may define themselves."""


def identifier(name: str) -> str:
    """`name` as a C identifier: letters beyond ASCII are spelled out; keywords, reserved names (C99 7.1.3:
    those that begin with an underscore) and names the exported files use get `law_` in front."""
    plain = "".join(
        c if re.match(r"[A-Za-z0-9_]", c) else f"_u{ord(c):x}" if c.isalnum() else "_" for c in name
    )
    if (
        plain in _KEYWORDS
        or _LIBRARY.fullmatch(plain)
        or _TAKEN.fullmatch(plain)
        or plain[:1] == "_"
        or plain[:1].isdigit()
    ):
        return f"law_{plain}"
    return plain


class Names:
    """Hands out identifiers that differ from each other."""

    def __init__(self, taken: frozenset[str]) -> None:
        self._shared = taken
        self._taken = set(taken)

    @property
    def taken(self) -> frozenset[str]:
        """All names handed out so far."""
        return frozenset(self._taken)

    def fresh(self, name: str) -> str:
        """`name` itself where it is free; a local named as a static variable is the `new_name` of it; then
        they are counted."""
        plain = identifier(name)
        base = f"new_{plain}" if plain in self._shared else plain
        candidate, count = base, 1
        while candidate in self._taken:
            count += 1
            candidate = f"{base}_{count}"
        self._taken.add(candidate)
        return candidate
