"""What was read with doubt, and the headline names or rests on, stands above the headline; other doubts stay below."""

import pytest

import heightnet
from heightnet.report.bust_words import bust_document
from heightnet.report.check_words import check_document
from heightnet.report.html import html
from heightnet.report.prove_marks_words import prove_all_document, prove_mark_document
from heightnet.report.prove_words import prove_document
from heightnet.report.text import plain
from heightnet.report.words import IN_DOUBT
from heightnet.tasks.bust import bust
from heightnet.tasks.prove import prove
from heightnet.tasks.prove_marks import prove_all, prove_mark
from tests.job.test_plausible import put, tables

SAID = "Read with doubt: "


@pytest.fixture
def job(tmp_path):
    def make(texts):
        for name, lines in texts.items():
            file = "job.toml" if name == "toml" else f"{name}.csv"
            (tmp_path / file).write_text("\n".join(lines) + "\n")
        return heightnet.read_job(tmp_path)

    return make


def above(document):
    """The sentences above the verdict, which text and page both have right above it."""
    lines = plain(document).splitlines()
    verdict = next(i for i, line in enumerate(lines) if line[:3] in ("!! ", " ? ", "ok "))
    page = html(document)
    assert page.index(document.doubted[0][:40]) < page.index('<h1 id="headline">') if document.doubted else True
    assert (lines[1].startswith(SAID) and verdict > 1) == bool(document.doubted)
    return list(document.doubted)


def below(document):
    return [s for s in document.blocks if getattr(s, "title", "") == IN_DOUBT]


def test_a_sound_job_says_nothing_above_its_verdict(job):
    facts = heightnet.check(job(tables())).facts
    assert "read_with_doubt" not in facts and above(check_document(facts)) == []


def test_a_doubt_about_what_is_accused_stands_above(job):
    texts = tables()
    put(texts, "marks", 5, "height", "24.944")
    facts = heightnet.check(job(texts)).facts
    document = check_document(facts)
    (said,) = above(document)
    assert "known height of D" in document.headline and said.startswith(
        f"{SAID}marks.csv, row 5: the known height of D"
    )
    assert facts["read_with_doubt"] == [n for n in facts["notes"] if n["kind"] == "doubt"] and not below(document)


def test_a_doubt_about_something_else_stays_below(job):
    """Of the time of a sight between two other marks."""
    texts = tables()
    put(texts, "marks", 5, "height", "249.54")  # 0.1 m: wrong, and no doubt
    texts["shots"][0] += ",when"
    texts["shots"][1:] = [f"{line}," for line in texts["shots"][1:]]
    put(texts, "shots", 7, "when", "0026-05-04")  # from B back to A
    document = check_document(heightnet.check(job(texts)).facts)
    assert "known height of D" in document.headline and above(document) == []
    ((line,),) = [section.blocks[0].lines for section in below(document)]
    assert line.startswith("shots.csv, row 7: when 0026-05-04")


def test_a_setting_and_a_job_that_closes_rest_on_all_of_it(job):
    texts = tables()
    texts["toml"] += ["[test]", "tolerance_mm = 600"]
    for row in range(2, 8):
        put(texts, "targets", row, "height", 6.7)
        put(texts, "setups", row, "height", 6.52)
    document = check_document(heightnet.check(job(texts)).facts)
    said = above(document)
    assert document.headline and len(said) == 4 and "job.toml, row 4: test.tolerance_mm 600 is unusual" in said[0]
    assert said[3] == "And 10 more; `heightnet show` has them all."


def test_the_set_up_that_is_proved(job):
    """A doubt about its mark, its sights or itself; not one about another set-up."""
    texts = tables(known="ABCDEF")
    put(texts, "setups", 7, "height", 3.3)
    of_f = prove(job(texts), "SF")
    assert [n["row"] for n in of_f["read_with_doubt"]] == [7] and above(prove_document(of_f))
    assert "read_with_doubt" not in prove(job(texts), "SA")


def test_a_bust(job):
    levels = ["from,to,rise,sd_mm", "A,B,5.0,1", "B,C,3.0,1", "C,A,-8.0,1", "A,C,1008.2,1", "B,D,1,1", "D,C,2,1"]
    facts = bust(job({"marks": ["mark,height", "A,100"], "levels": levels}))
    document = bust_document(facts)
    (said,) = above(document)
    assert said.startswith(f"{SAID}levels.csv, row 5: rise 1008.2 is unusual")


def test_every_check_shot_and_those_of_one_mark(job):
    texts = tables(known="ABCDEF")
    put(texts, "setups", 7, "height", 3.3)
    recorded = job(texts)
    assert above(prove_all_document(prove_all(recorded))) and above(prove_mark_document(prove_mark(recorded, "E")))
    assert above(prove_mark_document(prove_mark(recorded, "A"))) == []
