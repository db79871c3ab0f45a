"""The command as a user types it: in a folder of their own, in this process (quick) or in one of its own."""

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

SCENARIOS = Path(__file__).parents[2] / "scenarios"
AIR_SAMPLER = SCENARIOS / "air_sampler.toml"


@dataclass(frozen=True)
class Ended:
    """How a command ended: exit status and what it printed."""

    status: int
    out: str
    err: str


class Command:
    """Runs `tickspin` with the given words, in process, with the working folder set."""

    def __init__(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        self.folder, self._monkeypatch, self._capsys = folder, monkeypatch, capsys
        monkeypatch.chdir(folder)

    def __call__(self, *words: str | Path) -> Ended:
        """Run and return how it ended."""
        from sim.cli import main

        self._monkeypatch.setattr(sys, "argv", ["tickspin", *map(str, words)])
        self._capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        printed = self._capsys.readouterr()
        status = ended.value.code
        return Ended(status if isinstance(status, int) else 0, printed.out, printed.err)


def in_own_process(folder: Path, *words: str | Path, screen: int = subprocess.PIPE) -> Ended:
    """Run the command in a process of its own; `screen`: a file descriptor to print to."""
    code = "from sim.cli import main; main()"
    root = Path(__file__).parents[2]
    ended = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path.insert(0, {str(root)!r}); {code}", *map(str, words)],
        cwd=folder,
        stdout=screen,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    return Ended(ended.returncode, ended.stdout, ended.stderr)
