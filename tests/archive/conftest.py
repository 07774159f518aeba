"""Small archives of invented jobs: the demo jobs, copied."""

import json
import shutil

import pytest
from archive_help import DATA

from heightnet.archives.screen import screen_archive


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
