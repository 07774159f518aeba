"""The pictures of bust, prove and plan: where lines and signs lie, against the facts they are made of."""

import re
from itertools import pairwise
from pathlib import Path

import pytest

import heightnet
from heightnet.report.caution import CAUTION
from heightnet.report.claims import plain
from heightnet.report.document import Picture
from heightnet.report.pictures.drawing import LETTERS, Circle, Group, Line, Text
from heightnet.report.pictures.levelled import levelled
from heightnet.report.pictures.next_steps import next_steps
from heightnet.report.pictures.signed import LEFT, RIGHT, Row, runs, signed
from heightnet.report.words import Words

DATA = Path(__file__).resolve().parents[2] / "data"
ANSWERS = {
    "bust": lambda: heightnet.bust(DATA / "mill-levels"),
    "prove": lambda: heightnet.prove(DATA / "bridge-check-shots", setup="B1"),
    "prove all": lambda: heightnet.prove(DATA / "bridge-check-shots"),
    "prove mark": lambda: heightnet.prove(DATA / "bridge-check-shots", mark="AB3"),
    "plan": lambda: heightnet.plan(DATA / "harbour-feet"),
    "show": lambda: heightnet.show(DATA / "mill-levels"),
    "tape": lambda: heightnet.tape(["1.586", "1.587"]),
}


@pytest.fixture(scope="module")
def answers():
    return {name: make() for name, make in ANSWERS.items()}


def items(group):
    for item in group.items:
        yield item
        if isinstance(item, Group):
            yield from items(item)


def texts(drawing):
    return {plain(item.text): item for item in items(drawing.root) if isinstance(item, Text)}


@pytest.mark.parametrize("name", ["bust", "prove", "prove all", "prove mark", "plan"])
def test_each_page_has_its_picture_that_can_be_read(answers, name):
    pictures = [block for block in answers[name].story.blocks if isinstance(block, Picture)]
    assert len(pictures) == 1
    (drawing,) = (picture.drawing for picture in pictures)
    assert all(LETTERS[item.letter].size >= 11 for item in items(drawing.root) if isinstance(item, Text))
    for item in texts(drawing).values():
        assert 0 <= item.at[0] <= drawing.width and 0 <= item.at[1] <= drawing.height
    assert answers[name].page().count("<svg viewBox") == 1


@pytest.mark.parametrize("name", ANSWERS)
def test_each_page_has_the_caution_once_and_the_terminal_none(answers, name):
    assert re.sub("<[^>]*>", "", answers[name].page()).count("A statistical check is no substitute") == 1
    assert CAUTION not in answers[name].summary()


def test_a_signed_scale_has_zero_in_the_middle_and_an_arrow_for_what_lies_far_out(answers):
    rows = [Row(f"shot {i}", f"by_shot:{i}", "apart_mm", mm, 2.0) for i, mm in ((1, 3.0), (2, -40.0))]
    drawing = signed(Words(answers["prove"].facts), ("x", "x", "x"), rows, ("low", "high"), 5.0)
    middle = (LEFT + RIGHT) / 2
    dots = [item.centre[0] for item in items(drawing.root) if isinstance(item, Circle)]
    band = next(item for item in items(drawing.root) if isinstance(item, Line) and item.style == "band")
    reach = max(x for x, _ in band.parts[0]) - middle
    assert dots[0] - middle == pytest.approx(3.0 / 5.0 * reach)  # the tolerance of 5 mm is the edge of the band
    assert len(dots) == 1  # the other one is beyond six tolerances
    (arrow,) = [i for i in items(drawing.root) if isinstance(i, Line) and i.style == "solid"]
    assert min(x for x, _ in arrow.parts[0]) == pytest.approx(LEFT)
    assert "−40.0 mm" in texts(drawing)


def test_nothing_to_compare_is_no_picture(answers):
    assert signed(Words(answers["prove"].facts), ("x", "x", "x"), [], ("low", "high")) is None


def test_the_long_section_marks_the_stretch_that_holds_the_bust(answers):
    facts = answers["bust"].facts
    drawing = levelled(Words(facts))
    at = {name: item.at[0] for name, item in texts(drawing).items()}
    (bracket,) = [i for i in items(drawing.root) if isinstance(i, Line) and i.style == "accused-line"]
    ends = sorted({round(x, 6) for x, _ in bracket.parts[0]})
    assert ends == pytest.approx([at["W2"], at["W3"]])  # as its headline says: between W2 and W3
    outside = [i for i in items(drawing.root) if isinstance(i, Line) and i.style == "spread-accused"]
    assert len(outside) == sum(not s["closes"] for s in facts["sections"]) == 1
    lengths = [s["length_km"] for s in facts["sections"]]
    marks = [at[m] for m in ("MB1", "W1", "W2", "W3")]
    steps = [b - a for a, b in pairwise(marks)]
    assert steps[0] / steps[1] == pytest.approx(lengths[0] / lengths[1], rel=0.05)  # a name keeps off the edge


def test_a_levelling_without_sections_shows_what_its_runs_miss(answers):
    facts = {**answers["bust"].facts, "sections": []}
    drawing = levelled(Words(facts))
    assert drawing.name == "runs" == runs(Words(facts)).name
    assert {f"{run['misclosure_mm']:.1f} mm".replace("-", "−") for run in facts["book"]} <= set(texts(drawing))


def test_planned_measurements_are_dashed_and_numbered(answers):
    facts = answers["plan"].facts
    drawing = next_steps(Words(facts))
    between = [s for s in facts["steps"] if s["from_mark"] != s["mark"]]
    dashed = [i for i in items(drawing.root) if isinstance(i, Line) and i.style == "planned"]
    rings = [i for i in items(drawing.root) if isinstance(i, Circle) and i.style == "planned"]
    assert len(dashed) == len(between) == 1
    assert len(rings) == len({s["mark"] for s in facts["steps"]} - {s["mark"] for s in between}) == 1
    assert {str(s["order"]) for s in facts["steps"]} <= set(texts(drawing))
    thin = [i for i in items(drawing.root) if isinstance(i, Line) and i.style == "sight"]
    assert len(thin) == len(facts["network"]["lines"])


def test_the_network_of_a_plan_is_that_of_the_tables(answers):
    """Each pair of marks that a sight joins, from the recorded tables."""
    job = heightnet.read_job(DATA / "harbour-feet")
    over = dict(zip(job.setups["setup"], job.setups["mark"], strict=True))
    on = dict(zip(job.targets["target"], job.targets["mark"], strict=True))
    pairs = {frozenset((over[s], on[t])) for s, t in zip(job.shots["setup"], job.shots["target"], strict=True)}
    network = answers["plan"].facts["network"]
    assert {frozenset((line["from_mark"], line["to_mark"])) for line in network["lines"]} == pairs
    known = set(job.marks["mark"][job.marks["height"].notna()])
    assert {mark["mark"] for mark in network["marks"] if mark["known"]} == known
