"""Exports in the manners of the world, each read to the same job.

`exports/` holds 62 files of one invented job, nine sights or a book of seven readings, written by people who had not
seen which headings are known (`exports/manners.tsv` says how each is written); beside a file that leaves something open
stands the mapping that answers it.
"""

from __future__ import annotations

import csv
import json
import math
import random
import re
import shutil
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner

from heightnet.commands.group import cli
from heightnet.errors import InputErrors
from heightnet.job.mapping import with_answers
from heightnet.job.read import read_job
from heightnet.tasks.show import show

EXPORTS = Path(__file__).parent / "exports"
with (EXPORTS / "manners.tsv").open(encoding="utf-8", newline="") as _stream:
    MANNERS = {row["file"]: row for row in csv.DictReader(_stream, delimiter="\t")}
TEXT = [file for file in MANNERS if not file.endswith((".xlsx", ".xml"))]

# the job of all files: mark of the set-up, instrument height, mark sighted, target height, slope distance, zenith angle
SIGHTS = [
    ("K1", 1.587, "P1", 1.800, 143.726, "89-13-08"), ("K1", 1.587, "A7", 2.000, 108.671, "89-26-53"),
    ("P1", 1.642, "K1", 1.655, 143.723, "90-41-32"), ("P1", 1.642, "P2", 1.800, 122.424, "91-04-46"),
    ("P1", 1.642, "A7", 2.000, 95.699, "90-27-13"), ("P1", 1.642, "A8", 2.000, 85.438, "92-01-58"),
    ("P2", 1.498, "P1", 1.655, 122.431, "88-46-25"), ("P2", 1.498, "K2", 1.800, 128.566, "90-38-33"),
    ("P2", 1.498, "A8", 2.000, 95.703, "90-15-10"),
]  # fmt: skip
BOOK = [
    [("K1", 1.234), ("TP1", 2.105)], [("TP1", 0.876), ("B3", 1.440), ("TP2", 1.958)], [("TP2", 1.512), ("K2", 2.017)],
]  # fmt: skip
LENGTH_M = 2e-5  # half of the last digit of the files in feet, 0.0001 ft
ANGLE_DEG = 6e-7  # half of the last digit of the files in decimal degrees; of those in gon a little less


def degrees(text):
    d, m, s = map(float, text.split("-"))
    return d + m / 60 + s / 3600


def expected(file):
    """What `show` must find: sights, or the set-ups of the level with their readings."""
    if MANNERS[file]["kind"] == "book":
        return BOOK
    once = [(*sight[:5], degrees(sight[5])) for sight in SIGHTS]
    other_face = [(*sight[:5], 360 - sight[5]) for sight in once]
    return sorted(once + other_face if MANNERS[file]["faces"] == "2" else once)


def shown(facts, file):
    """What `show` says was read."""
    if MANNERS[file]["kind"] == "book":
        return [[(r["mark"], r["reading_m"]) for r in setup["readings"]] for setup in facts["level_setups"]]
    setups = {s["setup"]: (s["mark"], s["height_m"]) for s in facts["setups"]}
    targets = {t["target"]: (t["mark"], t["height_m"]) for t in facts["targets"]}
    return [(*setups[s["setup"]], *targets[s["target"]], s["slope_distance_m"], s["zenith_deg"])
            for s in facts["shots"]]  # fmt: skip


def read(path, file):
    """The same of the job as read, which is quicker."""
    job = read_job(path)
    if MANNERS[file]["kind"] == "book":
        return [list(zip(group["name"], group["reading"], strict=True))
                for _, group in job.staff.groupby("level_setup", sort=False)]  # fmt: skip
    setups = job.setups.set_index("setup")[["mark", "height"]].T.to_dict("list")
    targets = job.targets.set_index("target")[["mark", "height"]].T.to_dict("list")
    return [(*setups[s.setup], *targets[s.target], s.slope_distance, math.degrees(s.zenith_angle))
            for s in job.shots.itertuples()]  # fmt: skip


def same(found, file):
    """Whether what is shown is the job, its numbers to half of the last digit that the file has."""
    wanted = expected(file)
    if MANNERS[file]["kind"] == "book":
        return [[mark for mark, _ in setup] for setup in found] == [
            [mark for mark, _ in setup] for setup in wanted
        ] and all(
            abs(a - b) < LENGTH_M
            for here, there in zip(found, wanted, strict=True)
            for (_, a), (_, b) in zip(here, there, strict=True)
        )
    key = lambda sight: (sight[0], sight[2], round(sight[5]) > 180)  # noqa: E731
    found, wanted = sorted(found, key=key), sorted(wanted, key=key)
    return len(found) == len(wanted) and all(
        a[0] == b[0] and a[2] == b[2] and abs(a[5] - b[5]) < ANGLE_DEG
        and all(a[i] is not None and abs(a[i] - b[i]) < LENGTH_M for i in (1, 3, 4))
        for a, b in zip(found, wanted, strict=True)
    )  # fmt: skip


@pytest.fixture
def export(tmp_path):
    """A copy of an export in a folder of its own, with its mapping."""

    def copy(file, mapped=True):
        shutil.copy(EXPORTS / file, tmp_path)
        mapping = EXPORTS / f"{Path(file).stem}.columns.toml"
        if mapped and mapping.is_file():
            shutil.copy(mapping, tmp_path)
        return tmp_path / file

    return copy


def test_there_are_sixty_and_more():
    files = {path.name for path in EXPORTS.iterdir()} - {"manners.tsv"}
    assert {file for file in files if not file.endswith(".columns.toml")} == set(MANNERS)
    assert len(MANNERS) >= 60
    assert Counter(row["kind"] for row in MANNERS.values())["book"] >= 12


@pytest.mark.parametrize("file", MANNERS)
def test_what_went_in_is_found_again_in_show(export, file):
    done = CliRunner().invoke(cli, ["show", str(export(file)), "--json"])
    assert done.exit_code == 0, done.output
    assert same(shown(json.loads(done.stdout), file), file)


@pytest.mark.parametrize("file", TEXT[::6])
def test_import_writes_a_job_that_is_the_same(export, file, tmp_path):
    done = CliRunner().invoke(cli, ["import", str(export(file)), str(tmp_path / "job")])
    assert done.exit_code == 0, done.output
    assert "read as" in done.stdout
    assert same(shown(show(tmp_path / "job"), file), file)


@pytest.mark.slow
@pytest.mark.parametrize("file", MANNERS)
def test_a_proposal_is_never_dangerous(export, file, tmp_path):
    """Whoever accepts every answer that is proposed has the same job, or is refused."""
    path = export(file, mapped=False)
    mapping = tmp_path / f"{path.stem}.columns.toml"
    for _ in range(8):
        try:
            found = read(path, file)
        except InputErrors as error:
            asked = [problem.question for problem in error.problems if problem.question]
            page = MANNERS[file]["code page"]
            answers = [(q.part, q.key, page if q.key == "encoding" else q.default) for q in asked
                       if q.default or q.key == "encoding"]  # fmt: skip
            if not answers:
                assert all(problem.cause or problem.expected for problem in error.problems)
                return
            before = mapping.read_text() if mapping.is_file() else ""
            mapping.write_text(with_answers(before, answers))
        else:
            assert same(found, file)
            return
    pytest.fail("asked for ever")


@pytest.mark.slow
@pytest.mark.parametrize("file", [f for f in TEXT if MANNERS[f]["code page"] in ("ascii", "utf-8")])
def test_a_heading_that_nobody_knows_loses_nothing_in_silence(export, file):
    """Each heading in turn becomes a word that means nothing: the job is refused, or the same, or the loss is told."""
    path = export(file)
    whole = path.read_bytes().decode("utf-8-sig")
    lines = whole.splitlines(keepends=True)
    rows = [note.row for note in read_job(path).notes if note.text.startswith(("headings read", "not used"))]
    heading = lines[next(row for row in rows if row) - 1]
    words = [word.strip() for word in re.split(r"[,;\t|]", heading.replace('"', ""))]
    for word in dict.fromkeys(words):
        if len(word) < 2 or heading.count(word) != 1:
            continue
        text = whole.replace(heading, heading.replace(word, "Zyx"))
        path.write_text(text, encoding="utf-8", newline="")
        try:
            found = read(path, file)
        except InputErrors:
            continue
        assert same(found, file), f"{word!r} was lost in silence"


@pytest.mark.parametrize(
    "file", [f for f in TEXT if MANNERS[f]["length"] == "m" and "utf-16" not in MANNERS[f]["code page"]]
)
def test_a_changed_digit_is_found_changed(export, file):
    """No cell is replaced by another or made up: a digit changed in the file is changed in what is shown."""
    path = export(file)
    data = path.read_bytes()
    for text in ("143.726", "1.234"):
        old = next((old for old in (text.encode(), text.replace(".", ",").encode()) if old in data), None)
        if old is None:
            continue
        digit = random.Random(file).choice("0189")
        path.write_bytes(data.replace(old, old[:-1] + digit.encode(), 1))
        try:
            found = json.dumps(read(path, file))
        except InputErrors:
            continue
        assert f"{text[:-1]}{digit}".rstrip("0") in found


def test_two_days_of_one_office_are_read_with_one_mapping(export, tmp_path):
    """The answers of the first file are kept for the folder: the second is read without a question."""
    first = export("us-hand-book-tab.txt", mapped=False)
    shutil.copy(EXPORTS / "us-hand-book-tab.columns.toml", tmp_path / "columns.toml")
    second = tmp_path / "second day.txt"
    second.write_bytes(first.read_bytes())
    assert same(shown(show(second), "us-hand-book-tab.txt"), "us-hand-book-tab.txt")
    said = [note["text"] for note in show(second)["notes"] if "columns.toml" in note["text"]]
    assert said and "change that file" in said[0]
    other = tmp_path / "third.txt"
    other.write_text(first.read_text().replace("H.I. (ft)", "H. of I. x (ft)"))
    with pytest.raises(InputErrors) as asked:
        read_job(other)
    question = next(p.question for p in asked.value.problems if p.question and p.question.key == "H. of I. x (ft)")
    assert question.default == "instrument_height, carried"  # as the other heading was answered


def test_two_files_of_one_kind_are_read_together(export, tmp_path):
    path = export("uk-faces-i-ii.csv")
    lines = path.read_text().splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if line.startswith("S1") or ",K1," in line)
    half = (len(lines) - at) // 2 + at
    (tmp_path / "a.csv").write_text("".join(lines[:half]))
    (tmp_path / "b.csv").write_text("".join(lines[:at] + lines[half:]))
    done = CliRunner().invoke(
        cli, ["import", str(tmp_path / "a.csv"), str(tmp_path / "both"), "--with", str(tmp_path / "b.csv")]
    )
    assert done.exit_code == 0, done.output
    assert same(shown(show(tmp_path / "both"), path.name), path.name)
    assert math.isclose(len(show(tmp_path / "both")["shots"]), 18)
