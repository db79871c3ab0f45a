"""A sound scenario as text, and edits that break it in one place."""

import re

from sim.design import starter

_ON_ACC8 = {
    'law = "duty_pi"': 'law = "step_trim"',
    'target = "m0"': 'target = "acc8"',
    "prescaler = 64": "prescaler = 8",
}


def _sound() -> str:
    """The starter on a target with one level of interrupts and few prescalers: more can be wrong."""
    text = starter("sound")
    for line, other in _ON_ACC8.items():
        assert text.count(f"\n{line}\n") == 1
        text = text.replace(line, other)
    return text


SOUND = _sound()


def with_value(path: str, value: str | None) -> str:
    """The sound scenario with one key set to some TOML, stated or not before; None takes the line out."""
    section, _, name = path.rpartition(".")
    before, head, rest = SOUND.partition(f"\n[{section}]\n") if section else ("", "", SOUND)
    body, *after = re.split(r"(?=^\[)", rest, maxsplit=1, flags=re.MULTILINE)
    line = "" if value is None else f"{name} = {value}"
    stated = re.compile(rf"^(?:# )?{re.escape(name)} = .*$", re.MULTILINE)
    changed, count = stated.subn(lambda _: line, body, count=1)
    return "".join([before, head, changed if count else f"{line}\n{body}", *after])


def without_section(section: str) -> str:
    """The sound scenario without one section."""
    return re.sub(rf"^\[{section}\]\n.*?(?=^\[|\Z)", "", SOUND, flags=re.MULTILINE | re.DOTALL)
