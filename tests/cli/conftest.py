"""The fixture `tickspin`."""

from pathlib import Path

import pytest

from tests.cli.command import Command


@pytest.fixture
def tickspin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """The command, run in an empty folder."""
    return Command(tmp_path, monkeypatch, capsys)
