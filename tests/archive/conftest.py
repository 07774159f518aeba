"""Small archives of invented jobs: the demo jobs, copied."""

import json
import shutil
from pathlib import Path

import pytest

from heightnet.archive.screen import screen_archive

DATA = Path(__file__).resolve().parents[2] / "data"


def copied(folder, count, demo="bridge-check-shots"):
    """An archive of several copies of a demo job, in folders of years."""
    for i in range(count):
        shutil.copytree(DATA / demo, folder / f"20{20 + i % 3}" / f"job {i:02d}")
    return folder


@pytest.fixture
def archive(tmp_path):
    """Two sound-looking jobs and one with a wrong height."""
    folder = tmp_path / "office"
    shutil.copytree(DATA / "bridge-check-shots", folder / "2024" / "bridge")
    shutil.copytree(DATA / "tunnel-forced-centring", folder / "2025" / "tunnel")
    shutil.copytree(DATA / "quarry-traverse", folder / "2025" / "quarry")
    return folder


@pytest.fixture
def screened(tmp_path):
    """Screens an archive in this test's output folder and gives what it did and the archive.json it wrote."""

    def screen(folder, **options):
        done = screen_archive(folder, tmp_path / "out", **{"workers": 1, "page": False, **options})
        return done, json.loads((tmp_path / "out" / "archive.json").read_text(encoding="utf-8"))

    return screen


def bytes_of(folder):
    """Every file below a folder but the store, with its content."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "archive.sqlite"
    }
