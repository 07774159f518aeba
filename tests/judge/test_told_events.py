"""A few jobs of some cells of tests/benchmarks/field.py: bounds that a real loss would break."""

import pytest

from tests.benchmarks import field

pytestmark = pytest.mark.slow

SEED = 11


@pytest.mark.parametrize(
    ("event", "shape"),
    [("slant on a low tripod", "day"), ("height of the set-up before", "day"),
     ("height of an earlier occupation", "site-hilly"), ("HI and HT exchanged at a set-up", "day"),
     ("HI and HT exchanged in a row", "day")],
)  # fmt: skip
def test_slips_of_one_stand(event, shape):
    found = field.cell(event, shape, SEED, 8)
    assert found["listed"]["rate"] >= 0.9
    assert found["accused"]["rate"] == 0
    assert found["off"]["rate"] <= 0.1
    assert found["small"]["rate"] == 1


@pytest.mark.parametrize(
    ("event", "shape", "sds"),
    [("pole by half-day", "day", 12.0), ("prism with one observer", "day", 10.0),
     ("old list of two marks", "site-lists3", 10.0), ("slow settling", "day", 12.0),
     ("index after a knock", "site-one-face", 12.0), ("staff joint", "loops3-book", 12.0)],
)  # fmt: skip
def test_the_very_event_is_found_where_it_is_known(event, shape, sds):
    found = field.cell(event, shape, SEED, 8, sds)
    assert found["said"]["rate"] == 1
    assert found["known alone: listed"]["rate"] >= 0.8
    assert found["known alone: accused"]["rate"] <= 0.15


def test_half_of_the_heights_wrong_is_no_explanation():
    found = field.cell("half of the heights", "day", SEED, 1)
    assert found["unexplained"]["rate"] == 1
    assert found["accused"]["rate"] == 0


def test_a_page_of_results(tmp_path, monkeypatch):
    kept = {"rate": 0.5, "se": 0.1, "n": 20}
    monkeypatch.setattr(field, "RESULTS", tmp_path)
    (tmp_path / field.BEFORE).write_text('{"day: clean": {"said": {"rate": 0.25, "se": 0.05, "n": 8}}}')
    name = "day: sunk instrument, 8 sds"
    assert name in field.cells(1.0, 1)
    text = field.page(
        "Told", "python -m tests.benchmarks.field", ["day: clean", name], {3: {name: {"named": kept}}}, "x"
    )
    assert "| day: clean | before | 0.250 ± 0.050 |" in text
    assert f"| {name} | seed 3 |  | 0.500 ± 0.100 |" in text
