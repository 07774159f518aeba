"""The page of columns is current; the demos' Table Schemas hold by an independent validator (frictionless)."""

import json
import warnings

import pytest

import heightnet
from heightnet.job.describe import PACKAGE, data_package, write_data_package
from heightnet.ledger.pages import columns_page
from heightnet.ledger.recorded import KINDS, TABLES
from tests.make_descriptions import PAGE, demos

with warnings.catch_warnings():  # the validator's own imports warn
    warnings.simplefilter("ignore")
    import frictionless


def failures(folder):
    """What the frictionless package says against a data package: a list of texts."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        report = frictionless.validate(str(folder / PACKAGE))
    return [row[0] for row in report.flatten(["message"])] + [w for t in report.tasks for w in t.warnings]


def test_the_page_of_columns_is_current():
    assert PAGE.read_text(encoding="utf-8") == columns_page(), "run: python -m tests.make_descriptions"


def test_the_page_names_every_column():
    page = columns_page()
    for table in TABLES.values():
        section = page.split(f"\n## {table.name}\n")[1].split("\n## ")[0]
        for column in table.columns:
            assert f"| `{column.name}` |" in section
            assert column.kind in KINDS


@pytest.mark.parametrize("folder", demos(), ids=lambda p: p.name)
def test_the_demos_descriptions_are_current_and_hold(folder):
    written = json.loads((folder / PACKAGE).read_text(encoding="utf-8"))
    assert written == data_package(folder, heightnet.read_job(folder).settings), (
        "run: python -m tests.make_descriptions"
    )
    assert failures(folder) == []


def test_a_staff_beside_columns_without_readings_is_described_as_it_is_read(folder):
    for bs, staff, type in (("", "1.25", "number"), ("1.25", "A", "string")):
        home = folder(type, marks="mark,height\nA,1\n", staff=f"setup,mark,BS,Staff\nL1,A,{bs},{staff}\n")
        tables = data_package(home, heightnet.read_job(home).settings)["resources"]
        assert [field["type"] for field in tables[1]["schema"]["fields"]][-1] == type


def test_flat_headings_and_notes_are_described_as_written(folder):
    home = folder(
        marks="Point,RL,note to self\nA,100,x\n",
        shots="setup,at,HI,mark,HT,SD,ZA\nS1,A,1.5,B,1.6,50,100.01\n",
        toml='[units]\nangle = "gon"\n',
    )
    write_data_package(home, heightnet.read_job(home).settings)
    shots = data_package(home, heightnet.read_job(home).settings)["resources"][1]
    fields = {f["name"]: f for f in shots["schema"]["fields"]}
    assert fields["ZA"]["type"] == "number" and "gon" in fields["ZA"]["description"]
    assert failures(home) == []


@pytest.mark.parametrize(
    ("table", "old", "new"),
    [
        ("shots", "50.990", "fifty"),
        ("shots", "50.990", "-50.990"),
        ("shots", "S1,T1", "S9,T1"),
        ("marks", "BM2", "BM1"),
        ("setups", "S1,", ","),
    ],
)
def test_the_validator_sees_what_reading_refuses(folder, plain, table, old, new):
    home = folder(**plain)
    write_data_package(home, heightnet.read_job(home).settings)
    assert failures(home) == []
    path = home / f"{table}.csv"
    path.write_text(path.read_text().replace(old, new))
    assert failures(home)
    with pytest.raises(heightnet.InputErrors):
        heightnet.read_job(home)
