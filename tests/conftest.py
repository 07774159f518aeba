"""What holds for all tests."""

import pytest


@pytest.fixture(autouse=True)
def lines_stay_whole(monkeypatch):
    """Commands write into pipes here, and what tests look for is not broken where a line would end."""
    monkeypatch.setenv("COLUMNS", "10000")
