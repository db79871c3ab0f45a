"""What a user is told while the command is busy: a line on a terminal, nothing in a file."""

import contextlib
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from sim.loop.native import native_spin
from tests.cli.command import AIR_SAMPLER

ROOT = Path(__file__).parents[2]
COMPARE = ("compare", str(AIR_SAMPLER), "--vary", "drive.supply_V=5,6")


def started(stderr: int, *words: str, **environment: str) -> subprocess.Popen[bytes]:
    """The command in a process of its own, its standard error given."""
    native_spin.prepare()  # so that there is no notice of compiling
    command = [sys.executable, "-c", "from sim.cli import main; main()", *words]
    known = {key: value for key, value in os.environ.items() if key not in ("FORCE_COLOR", "NO_COLOR")}
    return subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=stderr, env=known | environment
    )


@pytest.mark.parametrize(
    ("words", "told"), [(COMPARE, "2 of 2 variants"), ((*COMPARE[:2], "--ideas"), " variants")]
)
def test_a_terminal_is_told_how_far_it_is(words: tuple[str, ...], told: str) -> None:
    leader, follower = pty.openpty()
    process = started(follower, *words, TERM="xterm")
    os.close(follower)
    seen = b""
    with contextlib.suppress(OSError):  # Linux ends so when nobody holds the other end any more
        while part := os.read(leader, 65536):
            seen += part
    os.close(leader)
    assert process.wait() in (0, 1)
    assert told in seen.decode()


def test_a_file_is_told_nothing(tmp_path: Path) -> None:
    path = tmp_path / "stderr"
    with path.open("wb") as file:
        assert started(file.fileno(), *COMPARE, FORCE_COLOR="1").wait() in (0, 1)
    assert path.read_bytes() == b""
