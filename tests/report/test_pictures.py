"""Pictures: layouts, walks, signs, and what is made of a drawing."""

import itertools
import math
import random
import re

import pytest
import sample_facts
from lxml import etree

from heightnet.ledger.record import blank
from heightnet.ledger.results import table
from heightnet.report import figures
from heightnet.report.keys import Keys
from heightnet.report.pictures import bars, drawing, layout, plan, section
from heightnet.report.pictures.names import Names
from heightnet.report.words import VERDICTS, Words

SVG = "http://www.w3.org/2000/svg"


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
def test_page_and_files_have_well_formed_svg_the_same_every_time(name):
    facts = sample_facts.JOBS[name]()
    files = figures.figure_files(facts)
    assert files == figures.figure_files(facts)
    for text in files.values():
        root = etree.fromstring(text.encode())
        assert root.tag == f"{{{SVG}}}svg"
        assert root.find(f"{{{SVG}}}title").text and root.find(f"{{{SVG}}}desc").text
        assert not root.xpath("//*[@href or @onclick or @*[starts-with(name(), 'data-')]]"), "nothing to follow"
        used = {name for part in root.xpath("//*[@class]") for name in part.get("class").split()}
        assert used <= set(re.findall(r"\.([\w-]+)\{", text)), "it brings all of its own styles"
    for made in figures.drawings(facts):
        root = etree.fromstring(drawing.svg(made))
        assert root.find("title").text and root.find("desc").text
        assert not root.xpath("//*[@style or @onclick]")


def test_a_file_shows_the_likeliest_explanation_only():
    sheet = drawing.Drawing("demo", "Two lines", "one of them", 40, 10)
    for number, style in enumerate(("profile", "shifted")):
        with sheet.group(cls=f"choice choice-{number}", href="#there"):
            sheet.line([(0, number), (40, number)], style)
    page, file = (make(sheet).partition("</style>")[2] or make(sheet) for make in (drawing.svg, drawing.file_of))
    assert "s-profile" in page and "s-shifted" in page and "#there" in page
    assert "s-profile" in file and "s-shifted" not in file and "#there" not in file


@pytest.mark.parametrize(("kind", "begins"), [("pdf", b"%PDF-1."), ("png", b"\x89PNG\r\n")])
def test_figures_for_print_are_made_where_asked_for(tmp_path, kind, begins):
    """Names in any script among them; warnings are errors in tests."""
    facts = sample_facts.clean()
    facts["marks"][0]["mark"] = "水準点"
    assert any("水準点" in text for text in figures.figure_files(facts).values())
    files = figures.printed_files(facts, kind)
    assert sorted(files) == [n.replace("svg", kind) for n in sorted(figures.figure_files(facts))]
    assert all(data.startswith(begins) for data in files.values())
    assert files == figures.printed_files(facts, kind)


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


def titles(made, cls):
    """Titles of the parts of a picture with this class."""
    root = etree.fromstring(drawing.svg(made))
    return [part.find("title").text for part in root.iter("g", "a") if cls in part.get("class", "").split()]


def signs(made, cls):
    """Shapes of the sign that is drawn in each of these parts."""
    root = etree.fromstring(drawing.svg(made))
    return [[path.get("class") for path in part.iter("path")] for part in root.iter("g", "a")
            if cls in part.get("class", "").split()]  # fmt: skip


def accused(facts, table, number, verdict="suspect"):
    facts[table][number]["verdict"] = verdict


@pytest.mark.parametrize("draw", [plan.plan, section.section])
def test_a_target_a_sight_and_a_known_mark_that_are_accused_have_their_signs(draw):
    facts = sample_facts.clean()
    accused(facts, "targets", 5)
    accused(facts, "shots", 9, "either")
    accused(facts, "known", 0)
    made = draw(*pens(facts))
    assert sorted(titles(made, "culprit")) == [
        "target T6 on P4 sighted from S3 (row 7): probably wrong", "the known height of BM1: probably wrong",
        "the sight S5 to P6 (row 11): in question",
    ]  # fmt: skip
    assert all("s-accused" in parts for parts in signs(made, "culprit"))
    text = "".join(etree.fromstring(drawing.svg(made)).itertext())
    assert "T6: probably wrong" in text and "sight S5 to P6: in question" in text
    assert not titles(draw(*pens(sample_facts.clean())), "culprit")


def test_a_target_that_nothing_tests_hangs_under_its_mark_with_its_word():
    """A pole on a mark that no set-up stands over: the mark hangs on it alone."""
    facts = sample_facts.clean()
    target = facts["targets"][-1]
    target.update(verdict="unproved", error_mm=None, smallest_found_mm=None)
    facts["marks"][-1].update(hidden_mm=None, hidden_by=target["hypothesis"])
    made = plan.plan(*pens(facts))
    assert titles(made, "untested") == ["BM2: untested"]
    assert "BM2: untested" in "".join(etree.fromstring(drawing.svg(made)).itertext()).partition("sights")[2]


def test_a_stand_that_both_ends_share_has_one_sign_and_one_row():
    facts = sample_facts.clean()
    setup, target = facts["setups"][2], facts["targets"][3]
    for stand in (setup, target):
        stand.update(verdict="suspect", hypothesis="tripod:K1", tripod="K1", error_mm=31.0)
    words, keys = pens(facts)
    assert titles(plan.plan(words, keys), "culprit") == []
    assert sum("probably wrong" in title for title in titles(bars.errors(words, keys), "row")) == 1


def test_readings_of_a_book_in_question_have_a_sign_on_each_leg_and_one_name():
    facts = sample_facts.clean()
    rows = [("L1", "P1"), ("L1", "P2"), ("L2", "P2"), ("L2", "P3")]
    facts["staff"] = [
        {**blank(table("staff")), "id": f"staff:staff.csv:{row}", "row": row, "level_setup": setup,
         "mark": mark, "name": mark, "verdict": "either", "probability": 0.25, "error_mm": 100.0, "error_sd_mm": 1.3}
        for row, (setup, mark) in enumerate(rows, 2)
    ]  # fmt: skip
    sample = sample_facts.Sample("book", "", 2)
    sample.facts = facts
    sample.find(facts["staff"], 0.98)
    made = plan.plan(*pens(facts))
    assert len(titles(made, "culprit")) == 2
    texts = [part.text for part in etree.fromstring(drawing.svg(made)).iter("text") if part.text]
    assert sum("one of 4" in text for text in texts) == 1


@pytest.mark.parametrize("verdict", VERDICTS)
def test_every_verdict_of_a_set_up_has_its_own_sign_and_its_word_in_the_legend(verdict):
    facts = sample_facts.clean()
    facts["setups"][1]["verdict"] = verdict
    root = etree.fromstring(drawing.svg(plan.plan(*pens(facts))))
    (one,) = [part for part in root.iter("a") if part.get("class") == f"setup {verdict}"][:1]
    drawn = [(p.get("class"), len(re.findall("[ML]", p.get("d")))) for p in one.iter("path")][1:]
    shape = [p for p in drawing.sign(verdict, 0, 0, 4.6) if isinstance(p, drawing.Line)]
    assert drawn == [(f"s-{p.style}", sum(map(len, p.parts))) for p in shape]
    assert VERDICTS[verdict] in [part.text for part in root.iter("text")]


def test_loops_are_told_against_their_limits():
    facts = sample_facts.suspect()
    facts["loops"][1].update(misclosure_mm=11.0, expected_sd_mm=9.0, closes=False)
    made = bars.loops(*pens(facts))
    text = "".join(etree.fromstring(drawing.svg(made)).itertext())
    assert "24.6 mm: outside" in text and "11.0 mm: outside" in text
    assert "closes" not in text and "does not close" not in text
    assert [t.rpartition(": ")[2] for t in titles(made, "loop")].count("outside the limit") == 2


def test_an_explanation_that_leaves_open_which_it_is_moves_no_mark_in_the_section():
    facts = sample_facts.either()
    assert all(not shift for shift in section._shifts(Words(facts)))
    assert any(section._shifts(Words(sample_facts.suspect())))


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
    lengths = {("A", "B"): 0.1, ("A", "C"): 0.3, ("B", "C2"): 0.2, ("C2", "D"): 0.3, ("C", "D"): 0.3}
    there = [node for node, _ in section.shortest_way(section.ways_between(lengths), "A", "D")]
    assert there[-1] == "D" and len(there) in (2, 3)
    for digits in (1e-12, -1e-12):
        lengths |= {("A", "C"): 0.3 + digits, ("A", "B"): 0.1 - digits}
        assert [node for node, _ in section.shortest_way(section.ways_between(lengths), "A", "D")] == there


def test_figures_are_the_same_bytes_whatever_lies_below_a_tenth_of_a_point():
    def sheet(noise):
        made = drawing.Drawing("demo", "A line", "one line", 40 + noise, 10 - noise)
        made.line([(noise, 5 + noise), (40, 5 - noise)], "axis")
        made.sign("found", 20 + noise, 5, 5 + noise)
        made.text(3 - noise, 4, "P1")
        return made

    def written(noise):
        return drawing.svg(sheet(noise)), drawing.file_of(sheet(noise))

    assert written(0.0) == written(1e-9) == written(-1e-9)
    assert written(0.0) != written(0.2)
