"""What the tests share."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
BENCH = ROOT / "fixtures" / "harrow-fell"


@pytest.fixture(scope="session")
def bench() -> Path:
    """The captures of the invented bench."""
    return BENCH


@pytest.fixture(scope="session")
def command():
    """Runs the command that the package brings."""

    def run(*arguments: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-m", "crestbook", *arguments],
            capture_output=True,
            text=True,
            cwd=ROOT,
            check=False,
        )
        assert not check or done.returncode in (0, 1), done.stderr
        return done

    return run


@pytest.fixture
def captures(tmp_path: Path) -> Path:
    """A folder with the captures of the bench and their sheets."""
    folder = tmp_path / "captures"
    folder.mkdir()
    for file in BENCH.iterdir():
        if file.suffix != ".json":
            shutil.copy(file, folder)
    return folder
