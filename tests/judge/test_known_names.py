"""A known mark that was another one in the field: its listed height is that of the wrong mark throughout the job."""

import pandas as pd
import pytest

import heightnet
from heightnet.report.check_words import check_document
from heightnet.report.claims import plain
from heightnet.report.document import sentences
from tests.networks import reciprocal

LINE = ["K0", "M1", "M2", "M3", "M4", "M5", "K1"]
APART_M = 120.0


def job(placed, there="K9", height=0.0):
    """K1 of the list lies elsewhere and .5 m higher; the party took a known mark at the end of the line for it.

    there : the mark at the end of the line, of K1's true height in the field but for so much.
    """
    party = reciprocal(wrong={"K1": 0.5}, levelled=[("M1", "M2")])
    for mark, above in ((there, height), ("K8", 3.0)):
        party.heights[mark] = party.heights["K1"] + above
        party.known(mark)
    rows = {row["mark"]: dict(row) for row in party.marks}
    if placed:
        for i, mark in enumerate(LINE):
            rows.setdefault(mark, {"mark": mark}).update(east=APART_M * i, north=0.0)
        end = APART_M * (len(LINE) - 1)
        rows[there].update(east=end, north=0.0)
        rows["K8"].update(east=end, north=50.0)
        rows["K1"].update(east=end - 20, north=260.0)
    return party.job(marks=pd.DataFrame(list(rows.values())))


@pytest.mark.parametrize(("placed", "least"), [(True, 0.99), (False, 0.9)])
def test_a_known_mark_taken_for_another_is_named(placed, least):
    """With coordinates the lengths of the sights say so as well as the height."""
    facts = heightnet.check(job(placed)).facts
    (finding,) = facts["findings"]
    assert finding["named"] and finding["id"] == "misnamed:known/K1/K9" and finding["probability"] >= least
    assert finding["error_mm"] == pytest.approx(500, abs=5)
    said = " ".join(plain(line) for block in check_document(facts).blocks for line in sentences([block]))
    assert "The name of known mark K1 (K9 fits) is wrong: the two are 500 mm apart in height (4" in said
    assert "Look up in sketch and field book which mark was taken for K1 in the field (K9 fits)" in said


def test_where_no_known_mark_has_that_height_a_known_height_itself_is_wrong():
    facts = heightnet.check(job(placed=False, height=0.04)).facts
    (finding,) = facts["findings"]
    assert {m["id"] for m in finding["members"]} == {"known:K0", "known:K1"}


def test_where_the_lengths_of_the_sights_contradict_it_no_other_name_is_told():
    placed = job(placed=True)
    marks = placed.marks.copy()
    at = {mark: i for i, mark in enumerate(marks["mark"])}
    columns = [marks.columns.get_loc(c) for c in ("east", "north")]
    marks.iloc[[at["K1"], at["K9"]], columns] = marks.iloc[[at["K9"], at["K1"]], columns].to_numpy()
    (finding,) = heightnet.check(placed.with_tables(marks=marks)).facts["findings"]
    assert {m["id"] for m in finding["members"]} <= {"known:K0", "known:K1"}
