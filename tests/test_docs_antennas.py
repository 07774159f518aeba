"""The worked example of docs/antennas.md: its tables are a job, and its numbers are what the job gives."""

import math
import re
from pathlib import Path

import pytest

import heightnet
from heightnet.job.tapes import read_tape
from heightnet.reduce.reading import slant_to_vertical

PAGE = Path(heightnet.__file__).parent / "docs" / "antennas.md"


@pytest.fixture(scope="module")
def page():
    return PAGE.read_text(encoding="utf-8")


@pytest.fixture
def example(page, tmp_path):
    """The job that the page writes down, table by table."""
    tables = dict(re.findall(r"`(\w+)\.csv`\n\n```\n(.*?)```", page, re.DOTALL))
    assert list(tables) == ["marks", "setups", "gnss", "levels"]
    for name, text in tables.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    return tmp_path


def test_the_loop_by_hand(page, example):
    variance = 2 * 20**2 * (1 - math.exp(-(5**2) * 0.5 / (2 * 20**2)))
    assert variance == pytest.approx(12.4, abs=0.05)
    sd = math.sqrt(1 + 1 + 16 + 2.25 + variance)
    assert sd == pytest.approx(5.71, abs=0.005) and math.hypot(1, 1, 4, 1.5, 20, 20) == pytest.approx(28.6, abs=0.05)
    for number in ("12.4 mm²", "32.7 mm²", "5.71 mm", "28.6 mm", "3.5 of them"):
        assert number in " ".join(page.split())
    (loop,) = heightnet.check(example).facts["loops"]
    assert abs(loop["misclosure_mm"]) == pytest.approx(20, abs=1e-6)
    assert loop["expected_sd_mm"] == pytest.approx(sd, rel=1e-6)
    assert abs(loop["misclosure_mm"]) / loop["expected_sd_mm"] == pytest.approx(3.5, abs=0.05)


def test_it_is_one_class_of_the_sizes_the_page_says(example):
    result = heightnet.check(example)
    setups = {s["setup"]: s for s in result.facts["setups"]}
    assert setups["G2"]["error_mm"] == pytest.approx(20, abs=0.01)  # the size of a blunder has a prior, very wide
    assert setups["G1"]["error_mm"] == pytest.approx(-20, abs=0.01)
    assert set(setups["G2"]["same_as"]) >= {
        "setup:G1", "gnss:gnss.csv:2", "level:levels.csv:2", "separation:B1", "separation:W",
    }  # fmt: skip
    assert all(s["independent_checks"] == 1 for s in setups.values())


def test_a_second_occupation_clears_the_level_and_the_separations(example):
    with (example / "setups.csv").open("a") as stream:
        stream.write("G3,W,1.480,1,disc antenna\n")
    with (example / "gnss.csv").open("a") as stream:
        stream.write("G1,G3,4.013,4\n")  # 4.020 + 0.012 + 1.480 - 1.500 = 4.012, and 1 mm

    def of_g2(setups):
        return [id_ for id_ in setups["G2"]["same_as"] if not id_.startswith("group:")]

    setups = {s["setup"]: s for s in heightnet.check(example).facts["setups"]}
    assert of_g2(setups) == ["gnss:gnss.csv:2"]
    assert setups["G2"]["w"] > 3 and abs(setups["G1"]["w"]) < abs(setups["G2"]["w"])
    with (example / "gnss.csv").open("a") as stream:
        stream.write("G3,G2,0.141,4\n")  # 1.640 - 1.480 = 0.160, and the 20 mm that the height of G2 is too high
    assert of_g2({s["setup"]: s for s in heightnet.check(example).facts["setups"]}) == []


def test_separations_taken_for_unrelated_hide_it(example):
    result = heightnet.check(example, separation__mm_sqrt_km=1e4)
    assert result.facts["loops"][0]["expected_sd_mm"] == pytest.approx(28.6, abs=0.05)
    assert result.facts["suspects"] == []


def test_the_controllers_height_reduced_again(page):
    booked = slant_to_vertical(1.514, 0.142, 0.031)
    assert f"{booked:.3f}" == "1.538" and 1000 * (booked - 1.514) == pytest.approx(24.3, abs=0.05)
    assert "1.538 m: 24.3 mm too high" in " ".join(page.split())


def test_the_rows_of_the_page_are_those_of_the_demo(page):
    data = Path(heightnet.__file__).parents[1] / "data" / "saltmarsh-antennas"
    tape = (data / "tape.csv").read_text()
    rows = re.findall(r"^A8,.*$", page, re.MULTILINE)
    assert len(rows) == 3
    for row in rows:
        setup, reading, scale, kind, point, by, when = row.split(",")
        assert any(
            line.startswith(f"{setup},{reading},{scale},{kind},{point},") and line.endswith(f"{by},{when}")
            for line in tape.splitlines()
        ), row
        assert read_tape(reading, scale).metres > 1
    for row in re.findall(r"^disc antenna,.*$", page, re.MULTILINE):
        assert row in (data / "equipment.csv").read_text().splitlines()
