"""Quick versions of the measured figures: few jobs, a fixed seed, bounds that a real loss would break.

The full run is tests/benchmarks/figures.py; a bound here is the figure wanted, less about three Monte-Carlo standard
errors of the few jobs.
"""

import numpy as np
import pytest

from tests.benchmarks import figures

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True)
def only_ours(monkeypatch):
    monkeypatch.setattr(figures, "COMPARED", 0)
    monkeypatch.setattr(figures, "NETS", {"S1": 2, "S2": 2, "S3": 2, "M1": 1})


@pytest.mark.parametrize("kind", ["S1", "S2", "S3"])
def test_detection_is_what_theory_says(kind):
    found = figures.detection(kind, 4000)["difference"]
    assert abs(found["rate"]) <= 3 * found["se"] + 0.003


@pytest.mark.parametrize(
    ("kind", "count", "delta", "least"),
    [("S1", 1, (6.0, 10.0), 0.92), ("S2", 1, (6.0, 10.0), 0.90), ("S3", 1, (6.0, 10.0), 0.92),
     ("S1", 2, (7.0, 12.0), 0.92), ("S2", 2, (7.0, 12.0), 0.88), ("S2", 3, (7.0, 12.0), 0.75)],
)  # fmt: skip
def test_identification(kind, count, delta, least):
    found = figures.identification(kind, 60, count, delta)
    assert found["likeliest is exact"]["rate"] >= least
    assert found["exact or shown"]["rate"] >= 0.9


def test_other_ways_are_worse(monkeypatch):
    """Three errors of 50 mm in a traverse: what each way finds, the same jobs."""
    monkeypatch.setattr(figures, "COMPARED", 20)
    found = figures.identification("S1", 20, 3, size=0.050)
    ours = found["likeliest is exact"]["rate"]
    assert ours >= 0.9
    for way in figures.OTHER_WAYS:
        assert found[f"{way}: exact"]["rate"] < ours, way


def test_accusations_are_right():
    found = figures.at_the_rates("S2", 150, times=3.0, as_assumed=False)
    assert found["precision, P > 0.5"]["rate"] >= 0.90
    assert found["precision, P > 0.9"]["rate"] >= 0.96
    assert found["found, 12 and more sds"]["rate"] >= 0.9


def test_probabilities_mean_what_they_say():
    for cell in figures.at_the_rates("S3", 100)["stated -> observed"]:
        assert abs(cell["stated"] - cell["rate"]) <= 0.05 + 3 * cell["se"]


def test_smaller_families_blame_the_innocent():
    found = figures.families("S1", 40)
    assert found["precision, family: setups"]["rate"] < found["precision, family: whole"]["rate"] - 0.1
    assert found["precision, family: whole"]["rate"] >= 0.88


def test_a_wrong_prism_is_named():
    found = figures.group("M1", 5, members=20)
    assert found["named"]["rate"] >= 0.8


def test_true_sizes_lie_where_the_estimates_say():
    """Estimate less truth over its sd of 100 single blunders: a standard normal variable."""
    off = []
    for d in figures.draws("S3", 100, 5):
        d.plant_heights(1, (10.0, 20.0))
        ((h, size),) = d.sizes.items()
        v = d.judge()
        off.append((v.error[h] - size) / v.error_sd[h])
    assert abs(np.mean(off)) < 3 / np.sqrt(100)
    assert np.std(off) == pytest.approx(1.0, abs=0.22)
