"""Jobs written on the spot from texts."""

from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from tests.workbooks import write_book


@pytest.fixture
def folder(tmp_path: Path) -> Callable[..., Path]:
    """A job folder from texts or bytes: ``folder(marks="...", toml="...")``."""

    def make(name: str = "job", **files: str | bytes) -> Path:
        home = tmp_path / name
        home.mkdir()
        for table, content in files.items():
            path = home / ("job.toml" if table == "toml" else f"{table}.csv")
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return home

    return make


@pytest.fixture
def book(tmp_path: Path) -> Callable[..., Path]:
    """A workbook from rows for each sheet: ``book(change, marks=[...])``, see `tests.workbooks.write_book`."""
    return partial(write_book, tmp_path / "quarry.xlsx")


MARKS = "mark,height,sd_mm\nBM1,100.000,0\nBM2,101.250,\n"
SETUPS = "setup,mark,height\nS1,BM1,1.536\n"
TARGETS = "target,mark,height\nT1,BM2,1.600\n"
SHOTS = "setup,target,slope_distance,zenith_angle\nS1,T1,50.990,88-36-10\n"


@pytest.fixture
def plain() -> dict[str, str]:
    """The texts of a small good job."""
    return {"marks": MARKS, "setups": SETUPS, "targets": TARGETS, "shots": SHOTS}
