"""Pictures: layouts, walks, signs, and the two pens."""

import io
import itertools
import math
import random
import re

import pytest
import sample_facts
from lxml import etree

from heightnet.report import figures
from heightnet.report.keys import Keys
from heightnet.report.pictures import bars, drawing, layout, plan, section
from heightnet.report.pictures.names import Names
from heightnet.report.words import VERDICTS, Words


def pens(facts):
    words = Words(facts)
    return words, Keys(facts)


def without_coordinates(facts):
    for mark in facts["marks"]:
        mark["east_m"] = mark["north_m"] = None
    return facts


def test_a_layout_by_coordinates_keeps_them():
    facts = sample_facts.suspect()
    found = layout.layout(facts)
    assert found.surveyed
    assert all(found.places[f"mark:{m['mark']}"] == (m["east_m"], m["north_m"]) for m in facts["marks"])


def test_marks_without_coordinates_stand_beside_their_neighbours():
    facts = sample_facts.suspect()
    lost = facts["marks"][4]
    lost["east_m"] = lost["north_m"] = None
    found = layout.layout(facts)
    a, b = (found.places[f"mark:P{i}"] for i in (3, 5))
    assert found.surveyed
    assert found.places["mark:P4"] == pytest.approx(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2))


def test_a_drawn_layout_keeps_the_lengths_of_the_sights():
    """An open traverse can be drawn with every leg at its own length; it comes out nearly straight."""
    facts = without_coordinates(sample_facts.suspect())
    found = layout.layout(facts)
    assert not found.surveyed
    for (a, b), length in layout.ties(facts).items():
        assert math.dist(found.places[a], found.places[b]) == pytest.approx(length, rel=0.05)


def test_a_drawn_layout_is_the_same_every_time_and_separates_pieces():
    facts = without_coordinates(sample_facts.clean())
    facts["shots"] = [s for s in facts["shots"] if {s["from_mark"], s["to_mark"]} != {"P5", "P6"}]
    first, second = layout.layout(facts), layout.layout(facts)
    assert first == second
    left = [first.places[f"mark:{name}"][0] for name in ("BM1", "P1", "P2", "P3", "P4", "P5")]
    right = [first.places[f"mark:{name}"][0] for name in ("P6", "P7", "P8", "P9", "P10", "BM2")]
    assert max(left) < min(right)


def test_the_walk_runs_from_known_mark_to_known_mark():
    facts = sample_facts.suspect()
    stations = section.walk(facts)
    assert [node for _, node in stations] == [
        f"mark:{name}" for name in ("BM1", *(f"P{i}" for i in range(1, 9)), "BM2")
    ]
    legs = layout.ties(facts)
    assert stations[-1][0] == pytest.approx(sum(legs.values()))


def test_a_walk_takes_the_shortest_way_between_set_ups_that_do_not_see_each_other():
    facts = sample_facts.suspect()
    facts["setups"] = [facts["setups"][i] for i in (0, 4, 2)]
    nodes = [node.removeprefix("mark:") for _, node in section.walk(facts)]
    assert nodes == ["BM1", "P1", "P2", "P3", "P4", "P5", "P4", "P3"]


@pytest.mark.parametrize("kind", [*VERDICTS, "known", "found"])
def test_every_sign_is_drawn_within_its_box(kind):
    for item in drawing.sign(kind, 0, 0, 5):
        if isinstance(item, drawing.Line):
            assert all(abs(value) <= 11 for part in item.parts for point in part for value in point)


def test_signs_differ_in_shape_not_only_in_colour():
    """The paths alone tell every sign from every other one."""
    shapes = {kind: tuple(re.findall(r' d="([^"]*)"', drawing.sign_svg(kind))) for kind in VERDICTS}
    full = {kind: re.search('s-(solid|accused)"', drawing.sign_svg(kind)) is not None for kind in VERDICTS}
    assert len({(shapes[kind], full[kind]) for kind in VERDICTS}) == len(VERDICTS)


def test_names_do_not_cover_each_other_and_the_accused_is_always_written():
    sheet = drawing.Drawing("demo", "demo", "demo", 200, 100)
    names = Names()
    for i in range(30):
        names.want(100 + i % 3, 50, f"mark {i}", 2)
    names.want(100, 50, "S4: probably wrong", 0, "accused-name")
    names.write(sheet, 100)
    texts = [group.items[0] for group in sheet.root.items]
    assert texts[0].text == "S4: probably wrong" and 2 <= len(texts) < 30
    boxes = [names._taken[i] for i in range(len(texts))]
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            assert a[2] < b[0] or a[0] > b[2] or a[3] < b[1] or a[1] > b[3]


def test_an_error_far_outside_gets_an_arrow_and_leaves_the_others_readable():
    facts = sample_facts.suspect()
    words, keys = pens(facts)
    facts["setups"][3].update(error_mm=-1000.0)
    text = drawing.svg(bars.errors(words, keys))
    assert "1000 mm too low" in text
    assert bars._reach(facts["setups"], 10.0) < 60


@pytest.mark.parametrize("name", ["suspect", "either", "clean", "unproved", "feet"])
def test_both_pens_draw_well_formed_svg_the_same_every_time(name):
    facts = sample_facts.JOBS[name]()
    files = figures.figure_files(facts)
    assert files == figures.figure_files(facts)
    for text in files.values():
        root = etree.fromstring(text.encode())
        assert root.tag.endswith("svg") and "<dc:date>" not in text
    for made in figures.drawings(facts):
        root = etree.fromstring(drawing.svg(made))
        assert root.find("title").text and root.find("desc").text
        assert not root.xpath("//*[@style or @onclick]")


def test_names_in_any_script_are_written_without_a_warning():
    facts = sample_facts.clean()
    facts["marks"][0]["mark"] = "水準点"
    assert any("水準点" in text for text in figures.figure_files(facts).values())  # warnings are errors in tests


def test_what_has_nothing_to_show_is_left_out():
    facts = sample_facts.clean()
    facts["loops"] = []
    words, keys = pens(facts)
    assert bars.loops(words, keys) is None
    assert bars.readings(words, keys) is None
    facts["marks"], facts["setups"], facts["shots"] = [], [], []
    words, keys = pens(facts)
    assert section.section(words, keys) is None and bars.errors(words, keys) is None
    assert "<svg" in drawing.svg(plan.plan(words, keys))


@pytest.mark.parametrize("count", [4, 6, 12])
def test_a_ring_of_equal_sights_lies_alike_whatever_the_last_digits(count):
    """A ring can be turned and mirrored without a change of its lengths."""
    names = [f"mark:{i:02d}" for i in range(count)]
    rng = random.Random(2)
    places = []
    for noise in (0.0, 1e-9, 1e-9):
        lengths = [60.0 + noise * rng.gauss(0, 1) for _ in names]
        ring = dict(zip([*itertools.pairwise(names), (names[0], names[-1])], lengths, strict=True))
        places.append(layout._drawn(names, ring))
    for other in places[1:]:
        assert all(math.dist(other[name], places[0][name]) < 1e-4 for name in names)


def test_of_two_ways_of_one_length_last_digits_do_not_choose():
    """From A to D over B, or over C: 0.1 + 0.2 and 0.2 + 0.1, then 0.3."""
    near = {"A": [("B", 0.1), ("C", 0.3)], "B": [("C2", 0.2)], "C2": [("D", 0.3)], "C": [("D", 0.3)], "D": []}
    there = [node for node, _ in section._way(near, "A", "D")]
    near["A"] = [("C", 0.3 + 1e-12), ("B", 0.1 - 1e-12)]
    assert [node for node, _ in section._way(near, "A", "D")] == there


def test_figures_are_the_same_bytes_whatever_lies_below_a_tenth_of_a_point():
    def sheet(noise):
        made = drawing.Drawing("demo", "A line", "one line", 40 + noise, 10 - noise)
        made.line([(noise, 5 + noise), (40, 5 - noise)], "axis")
        made.sign("found", 20 + noise, 5, 5 + noise)
        made.text(3 - noise, 4, "P1")
        return made

    def written(noise):
        out = io.StringIO()
        figures.figure(sheet(noise)).savefig(out, format="svg", metadata={"Date": None})
        return drawing.svg(sheet(noise)), out.getvalue()

    assert written(0.0) == written(1e-9) == written(-1e-9)
    assert written(0.0) != written(0.2)
