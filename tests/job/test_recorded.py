"""The tables of a job: one more is declared, and everything that knows tables knows it."""

import pandas as pd
import pytest

import heightnet
from heightnet.job.describe import data_package
from heightnet.job.template import new_folder
from heightnet.job.write import write_job
from heightnet.ledger.pages import columns_page
from heightnet.ledger.ranges import Range
from heightnet.ledger.recorded import TABLES, Column, Table, declare

WEATHER = Table(
    "weather",
    "What the sky was like.",
    (
        Column("mark", "name", "Where.", required=True, also=("place",)),
        Column("pressure_mm", "mm", "Of mercury.", within=Range(500, 900, "mm")),
        Column("sky", "choice", "Blue or grey.", choices=("blue", "grey"), words=(("clear", "blue"),)),
    ),
)


@pytest.fixture
def weather():
    kept = dict(TABLES)
    declare(WEATHER, after="targets")
    yield
    TABLES.clear()
    TABLES.update(kept)


@pytest.fixture
def job(weather, folder, plain):
    home = folder(**plain)
    (home / "weather.csv").write_text("Place,pressure_mm,sky\nBM1,760.5,Clear\nBM2,,grey\n")
    return home


def test_a_declared_table_is_read_held_and_written(job, tmp_path):
    read = heightnet.read_job(job)
    assert read.weather.to_dict("list") == {
        "mark": ["BM1", "BM2"], "pressure": [pytest.approx(0.7605), pytest.approx(float("nan"), nan_ok=True)],
        "sky": ["blue", "grey"], "row": [2, 3],
    }  # fmt: skip
    write_job(read, tmp_path / "again")
    assert (tmp_path / "again" / "weather.csv").read_text() == "mark,pressure_mm,sky\nBM1,760.5,blue\nBM2,,grey\n"
    assert heightnet.read_job(tmp_path / "again").weather.equals(read.weather)


def test_what_breaks_its_rule_is_refused_in_words(job):
    (job / "weather.csv").write_text("mark,pressure_mm,sky\nBM1,7605,green\n")
    with pytest.raises(heightnet.InputErrors) as caught:
        heightnet.read_job(job)
    assert [(p.row, p.column, p.read, p.expected) for p in caught.value.problems] == [
        (2, "pressure_mm", "7605", "a number from 500 to 900 mm or blank"),
        (2, "sky", "green", "one of blue, grey or blank"),
    ]


def test_it_is_described_and_offered(job, tmp_path):
    assert "| `pressure_mm` |  | number, mm, from 500 to 900 mm | Of mercury. |  |" in columns_page()
    resources = data_package(job, heightnet.read_job(job).settings)["resources"]
    fields = next(r for r in resources if r["name"] == "weather")["schema"]["fields"]
    assert [f["name"] for f in fields] == ["Place", "pressure_mm", "sky"]
    assert (new_folder(tmp_path / "new") / "weather.csv").read_text() == "mark,pressure_mm,sky\n"
    assert list(TABLES)[2:4] == ["targets", "weather"]


@pytest.mark.parametrize(
    "wrong",
    [
        TABLES["marks"],
        Table("sky", "", (Column("mark", "name", ""), Column("mark", "name", ""))),
        Table("sky", "", (Column("mark", "name", ""),), key=("place",)),
        Table("sky", "", (Column("mark", "name", "", unless=("at",)),)),
    ],
)
def test_a_table_that_contradicts_itself_is_refused(wrong):
    with pytest.raises(ValueError, match="there"):
        declare(wrong)
    assert "sky" not in TABLES


def test_a_job_has_its_tables_by_name():
    job = heightnet.Job.from_frames(marks=pd.DataFrame({"mark": ["A"], "height": [1.0]}))
    assert job.marks is job.tables["marks"] and list(job.tables) == list(TABLES)
    other = job.with_tables(marks=job.marks.assign(height=2.0))
    assert (other.marks["height"][0], job.marks["height"][0]) == (2.0, 1.0)
    with pytest.raises(AttributeError, match="no table mark"):
        job.mark  # noqa: B018
