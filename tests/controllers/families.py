"""Laws that derive from others, in a package of the test's own: good families and bad ones."""

from pathlib import Path
from typing import NamedTuple

import pytest

from controllers.parse import law as parser

BASE = '''"""A base."""

from controllers.dialect import Law, const, hw, u8, u16, var


class Base(Law):
    """Base."""

    LIMIT = const(u16, 7)
    a = var(u16, 1)
    b = var(u8, 2)

    def on_start(self) -> None:
        self.a = self.goal()
        self.rest()

    def on_step_timer(self) -> None:
        self.a = self.a // u16(self.b)

    def goal(self) -> u16:
        return self.LIMIT

    def rest(self) -> None:
        self.b += 254

    def spare(self) -> None:
        self.b = self.nothing
'''
LAW = '''from controllers.bases.base import Base
from controllers.dialect import u16


class Own(Base):
    """Own."""
'''


class BadFamily(NamedTuple):
    """A law, the bases it needs by file name, and its one fault (file, line:column, rule, found)."""

    law: str
    bases: dict[str, str]
    file: str
    place: str
    rule: str
    found: str


def chain(length: int) -> dict[str, str]:
    """Bases b0 <- b1 <- ...: each derives from the one before."""
    first = BASE.replace("Base", "B0")
    later = {
        f"b{n}": f"from controllers.bases.b{n - 1} import B{n - 1}\nclass B{n}(B{n - 1}):\n    'B.'\n"
        for n in range(1, length)
    }
    return {"b0": first} | later


def derived(name: str) -> str:
    """A law that derives from class NAME of the base file of the same name."""
    return f"from controllers.bases.{name.lower()} import {name}\nclass Own({name}):\n    'Own.'\n"


BAD_FAMILIES = (
    BadFamily(LAW, {"base": BASE.replace("self.b += 254", "self.b += 256")}, "base.py", "24:19",
              "a constant fits u8", "256"),
    BadFamily(LAW, {"base": BASE.replace("self.LIMIT", "self.LIMID")}, "base.py", "21:16",
              "a class variable is declared", "LIMID"),
    BadFamily(LAW, {"base": BASE.replace("b = var(u8, 2)", "b = var(u8, 256)")}, "base.py", "11:5",
              "a constant fits u8", "256"),
    BadFamily(LAW, {"base": BASE + "    1 = 2\n"}, "base.py", "28:5",
              "a law is legal Python", "cannot assign to literal here. Maybe you meant '==' instead of '='?"),
    BadFamily(LAW, {"base": BASE.replace('    """Base."""\n', "")}, "base.py", "6:1",
              "a law says what it does", "no docstring"),
    BadFamily(LAW, {"base": "import os\n" + BASE}, "base.py", "1:1",
              "a law file holds imports from controllers.dialect and one class", "import os"),
    BadFamily(LAW + "    def goal(self) -> u16:\n        return self.LIMIT + self.b\n", {"base": BASE},
              "law.py", "8:16", "both operands have the same type", "u16 and u8"),
    BadFamily(LAW + "    def goal(self, x: u16) -> u16:\n        return x\n", {"base": BASE}, "base.py",
              "14:18", "goal takes 1 argument", "0"),
    BadFamily(LAW + "    def own(self) -> u16:\n        return self.a\n", {"base": BASE}, "law.py",
              "7:5", "a method is a handler or is called by one", "own"),
    BadFamily(LAW + "    goal = u16(3)\n", {"base": BASE}, "law.py", "7:12",
              "a class variable is declared", "u16(3)"),
    BadFamily(LAW + "    def b(self) -> u16:\n        return 3\n", {"base": BASE}, "law.py", "7:5",
              "b is a name of Base", "b"),
    BadFamily(LAW.replace("import Base", "import Bass").replace("(Base)", "(Bass)"), {"base": BASE}, "law.py",
              "5:1", "the class of base.py is Base", "Bass"),
    BadFamily("from controllers.bases.none import None_\n" + LAW, {"base": BASE}, "law.py", "1:1",
              "a law file holds imports from controllers.dialect and one class",
              "from controllers.bases.none import None_"),
    BadFamily(derived("Base"), {"base": derived("Base").replace("Own", "Base")}, "base.py", "2:1",
              "a law does not derive from itself", "base"),
    BadFamily(derived("One"), {"one": derived("Two").replace("Own", "One"),
                               "two": derived("One").replace("Own", "Two")}, "two.py", "2:1",
              "a law does not derive from itself", "one"),
    BadFamily(derived("B8"), chain(9), "b1.py", "2:1", "a law derives through at most 8 files", "b0"),
    BadFamily(LAW, {"base": BASE + "\n\nclass Two(Law):\n    'Two.'\n"}, "base.py", "1:1",
              "a law file holds one class derived from Law", "2 classes"),
)  # fmt: skip


def install(folder: Path, monkeypatch: pytest.MonkeyPatch, law: str, bases: dict[str, str]) -> Path:
    """Write the law, and its bases into a package that stands in for `controllers`; the law's path."""
    package = folder / "controllers"
    (package / "bases").mkdir(parents=True, exist_ok=True)
    monkeypatch.setattr(parser, "_PACKAGE", package)
    for name, text in bases.items():
        (package / "bases" / f"{name}.py").write_text(text, encoding="utf-8")
    path = folder / "law.py"
    path.write_text(law, encoding="utf-8")
    return path
