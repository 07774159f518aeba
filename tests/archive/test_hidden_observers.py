"""Observers hidden are in nothing that is written: not in the index, not in a report, not in the store."""

import shutil
import zlib

import pytest
from archive_help import DATA

from heightnet.archives.store import Store
from heightnet.errors import HeightnetError
from heightnet.job.observers import hide_observers
from heightnet.job.read import read_job

pytestmark = pytest.mark.slow
NAMES = ("Aldgate", "Osei", "Falk", "Imrie", "Quill", "Brandt")


def spoilt(archive):
    """A job that is refused, with an observer in the cell that cannot be read."""
    shutil.copytree(DATA / "quarry-traverse", archive / "spoilt")
    tape = archive / "spoilt" / "tape.csv"
    tape.write_text(tape.read_text().replace("1.487", "M. Aldgate 1.487", 1))


@pytest.mark.parametrize("way", ["codes", "initials"])
def test_no_name_is_in_any_file(archive, screened, tmp_path, way):
    spoilt(archive)
    screened(archive, hide=way, page=True, parquet=True)
    files = [path for path in (tmp_path / "out").rglob("*") if path.is_file()]
    assert {path.name for path in files} >= {
        "index.html",
        "archive.json",
        "archive.csv",
        "archive.parquet",
        "errors.txt",
    }
    for path in files:
        content = path.read_bytes()
        assert not [name for name in NAMES if name.encode() in content], path
    with Store(tmp_path / "out") as store:
        for (packed,) in store._db.execute("SELECT reduced FROM jobs WHERE reduced IS NOT NULL"):
            assert not [name for name in NAMES if name.encode() in zlib.decompress(packed)]
    _, facts = screened(archive, hide=way, page=True)
    assert facts["observers"] == way
    quarry = next(job for job in facts["jobs"] if job["path"] == "2025/quarry")
    assert len(quarry["observers"]) == 2
    if way == "initials":
        assert quarry["observers"] == ["MA", "TO"]


def test_shown_they_are_there(archive, screened, tmp_path):
    """So that the test above would see them."""
    spoilt(archive)
    _, facts = screened(archive, page=True)
    content = b"".join(path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file())
    assert all(name.encode() in content for name in NAMES)
    assert "M. Aldgate" in next(j for j in facts["jobs"] if j["path"] == "spoilt")["error"]["problems"][0]


def test_hiding_changes_no_finding(archive, screened, tmp_path):
    _, hidden = screened(archive, hide="codes")
    shutil.rmtree(tmp_path / "out")
    _, shown = screened(archive)
    for one, other in zip(hidden["jobs"], shown["jobs"], strict=True):
        assert {**one, "observers": []} == {**other, "observers": []}


def test_one_person_has_one_code_in_every_job_and_in_every_run_of_an_archive(archive, screened, tmp_path):
    shutil.copytree(DATA / "quarry-traverse", archive / "again")

    def codes(facts):
        return {job["path"]: job["observers"] for job in facts["jobs"]}

    first = codes(screened(archive, hide="codes")[1])
    assert first["again"] == first["2025/quarry"] and not set(first["again"]) & set(first["2024/bridge"])
    assert codes(screened(archive, hide="codes", again=True)[1]) == first
    shutil.rmtree(tmp_path / "out")
    assert not set(codes(screened(archive, hide="codes")[1])["again"]) & set(first["again"]), "another archive's key"


def test_an_output_with_names_in_it_is_not_built_upon(archive, screened):
    screened(archive)
    with pytest.raises(HeightnetError, match=r"observers are shown; reports written before would stay"):
        screened(archive, hide="codes")


def test_every_table_with_an_observer_is_hidden():
    job = read_job(DATA / "quarry-traverse")
    job = job.with_tables(setups=job.setups.assign(observer="Ada Lind"), targets=job.targets.assign(observer=""))
    hidden = hide_observers(job, "initials")
    assert set(hidden.tape["by"]) == {"MA", "TO"}
    assert set(hidden.setups["observer"]) == {"AL"} and set(hidden.targets["observer"]) == {""}
