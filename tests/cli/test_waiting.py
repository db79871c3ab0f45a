"""What a user is told while the command is busy: a line on a terminal, nothing in a file."""

import contextlib
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from controllers.check.bench.play import native_play as native_bench
from controllers.jit import NativeKernel
from controllers.play import native_play
from sim.cli.waiting import prepare
from sim.design import apply_overrides, load_design
from sim.loop.native import native_spin
from targets import InputError
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


def test_what_is_compiled_is_told_once_with_its_time(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    done = {native_spin.name: False, native_bench.name: False, native_play.name: True}
    monkeypatch.setattr(NativeKernel, "is_compiled", property(lambda kernel: done[kernel.name]))
    monkeypatch.setattr(NativeKernel, "prepare", lambda kernel: done.update({kernel.name: True}))
    kernels = [NativeKernel(name, lambda: 0, 0, 0) for name in done]
    prepare(*kernels)
    first, second = capsys.readouterr().err.splitlines()
    assert first == (
        "tickspin: compiling the simulation and the test bench for this machine, once per version ..."
    )
    assert second == "tickspin: compiled in 0 s; kept for later calls"
    assert all(done.values())
    prepare(*kernels)
    assert capsys.readouterr().err == ""


def test_a_fault_of_the_firmware_is_told_before_the_wait(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(NativeKernel, "is_compiled", property(lambda _: False))
    design = apply_overrides(load_design(AIR_SAMPLER), {"firmware.parameters": {"no_such_key": 1.0}})
    with pytest.raises(InputError, match="no_such_key"):
        prepare(native_spin, design=design)
    assert capsys.readouterr().err == ""
