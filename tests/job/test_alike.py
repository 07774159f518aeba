"""Names that look alike are one doubt each, with both places; a doubt changes no number.

Which characters are which is Unicode's (`unicodedata` of Python's library); which look alike is common knowledge.
"""

import time
import unicodedata

import numpy as np
import pytest

import heightnet
from heightnet import InputErrors
from heightnet.job import alike
from heightnet.job.convert import Raw, empty
from heightnet.job.problems import Problems
from heightnet.ledger.recorded import TABLES

CYRILLIC_A, GREEK_B, NO_WIDTH, WIDE_7 = "\u0410", "\u0392", "\u200b", "\uff17"


def doubts(path):
    return [n for n in heightnet.read_job(path).notes if n.kind == "doubt" and "are they one" in n.text]


@pytest.mark.parametrize(
    ("one", "other", "said"),
    [
        ("A7", f"{CYRILLIC_A}7", f"The {CYRILLIC_A} of {CYRILLIC_A}7 is Cyrillic. "),
        ("BM", f"{GREEK_B}M", f"The {GREEK_B} of {GREEK_B}M is Greek. "),
        ("A7", f"A{NO_WIDTH}7", f"A{NO_WIDTH}7 holds a character called zero width space. "),
        ("A7", f"A{WIDE_7}", f"The {WIDE_7} of A{WIDE_7} is a fullwidth digit seven. "),
        ("P0", "PO", "P0 has a zero, PO the letter O. "),
        ("P1", "Pl", "P1 has a one, Pl a small letter L. "),
        ("PI", "Pl", "PI has a capital letter i, Pl a small letter L. "),
        ("Caf\u00e9", "Cafe\u0301", "One of them has an accent as a character of its own. "),
        ("A\u20137", "A-7", "A\u20137 holds a character called en dash. "),
        ("BM 7", "bm_7", ""),
    ],
)
def test_both_places_and_what_differs(folder, plain, one, other, said):
    plain["marks"] += f"{one},100.5,\n"
    plain["targets"] += f"T2,{other},1.6\n"
    plain["shots"] += "S1,T2,10,90-00-00\n"
    (note,) = doubts(folder(**plain))
    assert note.text == (
        f"{one} and {other} are read as different marks; are they one? {said}"
        f"{one}: marks.csv, row 4, mark; {other}: targets.csv, row 3, mark"
    )
    assert (note.file, note.row) == ("targets.csv", 3)


@pytest.mark.parametrize("name", ["PO", "P0", f"A{NO_WIDTH}7", f"{CYRILLIC_A}7", "Cafe\u0301", "Il"])
def test_a_name_without_a_twin_is_left_as_it_is(folder, plain, name):
    plain["marks"] += f"{name},100.5,\n"
    home = folder(**plain)
    assert heightnet.read_job(home).marks["mark"].tolist()[2] == name and not doubts(home)


def test_names_of_other_kinds_are_no_twins(folder, plain):
    plain["setups"] = plain["setups"].replace("S1", "BM-1")
    plain["shots"] = plain["shots"].replace("S1", "BM-1")
    assert not doubts(folder(**plain))


def test_stands_equipment_and_staffs_are_compared_too(folder):
    files = {
        "marks": "mark,height\nBM1,100\nBM2,101\n",
        "setups": "setup,mark,height,instrument,tripod\nS1,BM1,1.5,TS0,F1\nSl,BM1,1.5,TSO,Fl\n",
        "targets": "target,mark,height,equipment\nT1,BM2,1.6,Pole\nT\u200b1,BM2,1.6,P\u043ele\n",
        "shots": "setup,target,slope_distance,zenith_angle\nS1,T1,50.99,88-36-10\nSl,T\u200b1,50.99,88-36-10\n",
        "staff": "level_setup,mark,staff,back_sight,fore_sight\nL1,BM1,A,1.5,\nL1,BM2,a,,1.4\n",
    }
    said = [n.text.split(" are read as different ")[1].split(";")[0] for n in doubts(folder(**files))]
    assert said == ["set-ups", "targets", "tripods", "equipment", "equipment", "staffs"]


def test_marks_of_flat_shots_are_marks(folder):
    shots = "at,instrument_height,mark,target_height,slope_distance,zenith_angle\nBM1,1.5,BM2,1.6,50.99,88-36-10\n"
    (note,) = doubts(folder(marks="mark,height\nBM1,100\nBMl,101\n", shots=shots))
    assert note.text.startswith("BM1 and BMl are read as different marks")


def test_one_doubt_a_look(folder, plain):
    for name in ("PO", "P0", "Po", "p0"):
        plain["marks"] += f"{name},100.5,\n"
    (note,) = doubts(folder(**plain))
    assert "PO and P0 and Po and p0" in note.text


def test_a_doubt_changes_no_number(folder, plain):
    plain["marks"] += "B\u041c2,101.25,\n"
    home = folder("a", **plain)
    assert doubts(home)
    with_twin = heightnet.check(home).facts["setups"]
    plain["marks"] = plain["marks"].replace("B\u041c2", "Q9")
    assert heightnet.check(folder("b", **plain)).facts["setups"] == with_twin


def test_the_nearest_name_says_what_differs(folder, plain):
    plain["shots"] = plain["shots"].replace("S1", "\u04051")
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(folder(**plain))
    assert "The nearest is 'S1'. The \u0405 of \u04051 is Cyrillic." in caught.value.problems[0].cause


def test_the_table_of_letters_is_what_it_says():
    """Each letter of the table is Cyrillic or Greek, each it looks like Latin, of one case where both have one."""
    for letter, latin in alike._LATIN.items():
        assert unicodedata.name(letter).split()[0] in ("CYRILLIC", "GREEK"), letter
        assert unicodedata.name(latin).startswith("LATIN") and letter.isupper() == latin.isupper(), letter


def test_a_million_names_are_compared_in_seconds():
    names = [f"PT-{i:06d}" for i in range(10**6)] + ["PT-00O001"]
    raw = {table: empty(table) for table in TABLES}
    rows = np.arange(2, 2 + len(names))
    raw["staff"] = Raw(TABLES["staff"], "staff.csv", rows, {"mark": np.array(names, dtype=object)})
    problems, begun = Problems(), time.process_time()
    alike.check_names(raw, problems)
    assert time.process_time() - begun < 20  # 4 s on the machine of the writer, which others used as well
    assert [n.text.split(" are ")[0] for n in problems.notes] == ["PT-000001 and PT-00O001"]
