"""The compiled kernel: where it lies, and that it is compiled once."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCENARIO = ROOT / "scenarios" / "air_sampler.toml"
RUN = f"import sys; sys.path.insert(0, {str(ROOT)!r}); from sim.cli import main; main()"


def run_with(tmp_path: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """`tickspin run` in a process with other folders for home and cache."""
    return subprocess.run(
        [sys.executable, "-c", RUN, "run", str(SCENARIO), "--json", "-"],
        cwd=tmp_path,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.slow
def test_the_first_run_says_that_it_compiles_and_the_second_gives_the_same(tmp_path: Path) -> None:
    first = run_with(tmp_path, XDG_CACHE_HOME=str(tmp_path / "cache"))
    assert first.returncode == 1
    assert "compiling the simulation for this machine" in first.stderr
    assert "compiled in " in first.stderr
    assert len(list((tmp_path / "cache" / "tickspin").glob("spin-*.o"))) == 1
    second = run_with(tmp_path, XDG_CACHE_HOME=str(tmp_path / "cache"))
    # The first process ran what it had compiled, linked from the same file as the second.
    assert (second.stderr, second.stdout) == ("", first.stdout)


@pytest.mark.slow
def test_a_cache_that_cannot_be_written_is_no_obstacle(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    ended = run_with(tmp_path, XDG_CACHE_HOME=str(tmp_path / "file"), TMPDIR=str(tmp_path))
    assert ended.returncode == 1
    assert list(tmp_path.glob("tickspin-*/spin-*.o"))
