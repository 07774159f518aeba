"""Who clones the project and tries what the README says has nothing to commit afterwards."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[1]
DEMOS = sorted(path.name for path in (ROOT / "data").iterdir() if path.is_dir())


def git(folder: Path, *arguments: str) -> str:
    who = ("-c", "user.name=nobody", "-c", "user.email=nobody@example.org")
    call = ["git", *who, *arguments]
    return subprocess.run(call, cwd=folder, capture_output=True, text=True, check=True).stdout


@pytest.fixture(scope="module")
def checkout(tmp_path_factory) -> Path:
    """A repository of its own with what is in this one, changes not yet committed included."""
    if not shutil.which("git") or not (ROOT / ".git").exists():
        pytest.skip("no checkout")
    there = git(ROOT, "ls-files", "-z", "--cached", "--others", "--exclude-standard").split("\0")
    folder = tmp_path_factory.mktemp("checkout")
    for name in there:
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, folder / name)
    git(folder, "init", "-q")
    git(folder, "add", "-A")
    git(folder, "commit", "-q", "-m", "As it is")
    return folder


@pytest.mark.parametrize("command", [*(f"check data/{demo}" for demo in DEMOS), "archive data"])
def test_a_command_writes_nothing_that_git_would_commit(checkout, command):
    """With the folder for the report that it takes by itself."""
    call = [sys.executable, "-W", "ignore", "-m", "heightnet", *command.split()]
    environment = {**os.environ, "PYTHONPATH": str(checkout), "PYTHONDONTWRITEBYTECODE": ""}
    before = written(checkout)
    done = subprocess.run(call, cwd=checkout, env=environment, capture_output=True, text=True)
    assert done.returncode in (0, 1), done.stderr
    assert written(checkout) > before
    assert git(checkout, "status", "--porcelain") == ""


def written(folder: Path) -> int:
    """Number of files in a folder, but for what Python keeps of modules."""
    return sum(path.is_file() and path.suffix != ".pyc" for path in folder.rglob("*"))


def test_nothing_is_committed_where_commands_write(checkout):
    assert git(checkout, "ls-files", "--cached", "--ignored", "--exclude-standard") == ""
