"""What happened in the field, in sentences: when it was, what is said of it, what to do about it."""

import pytest
import sample_facts

from heightnet.report.check_words import check_document
from heightnet.report.claims import html, plain
from heightnet.report.document import sentences
from heightnet.report.fieldsheet import steps
from heightnet.report.keys import Keys
from heightnet.report.namer import words_of
from heightnet.report.pictures.timeline import timeline
from heightnet.report.words import Words

DAY = "2026-05-19T"


def use(id, hour=None, probability=0.0):
    return {"id": id, "when": f"{DAY}{hour}" if hour else None, "probability": probability}


def between(uses, number):
    """Something happened between a use and the one before."""
    after, before = uses[number - 1 : number + 1]
    return {"after": {k: after[k] for k in ("id", "when")}, "before": {k: before[k] for k in ("id", "when")}}


def event(uses, began=None, ended=None):
    order = "times" if all(use["when"] for use in uses) else "rows"
    return {
        "order": order,
        "began": between(uses, began) if began else None,
        "ended": between(uses, ended) if ended else None,
        "uses": uses,
    }


def sights(rows, wrong, timed=True):
    return [use(f"shot:shots.csv:{row}", f"10:{10 + row}" if timed else None, 1.0 * (row in wrong)) for row in rows]


def targets(numbers, wrong, timed=True):
    return [use(f"target:T{n}", f"{8 + n:02d}:00" if timed else None, 1.0 * (n in wrong)) for n in numbers]


def told(*found):
    """The facts of a job with findings of (id, error, event), and the document of its check."""
    facts = sample_facts.suspect()
    first, facts["suspects"], facts["next_measurements"] = facts["findings"][0], [], []
    facts["findings"] = [
        {
            **first, "order": n, "id": id, "error_mm": error, "error_sd_mm": 1.0, "event": event, "kinds": [],
            "members": [{"id": id, "probability": 0.973, "error_mm": error, "error_sd_mm": 1.0}],
            "shown_by": [{"id": id, "what": what}] if (what := SHOWN.get(id.partition("/")[0])) else [],
        }
        for n, (id, error, event) in enumerate(found, start=1)
    ]  # fmt: skip
    return facts, check_document(facts)


SHOWN = {"local:equipment_at_mark": "one of these targets measured to another point"}


def section(document, title):
    (found,) = [block for block in document.blocks if block.title == title]
    return [plain(line) for line in sentences([found])]


SUNK, EARLIER = sights((8, 9), (9,)), sights((8, 9), (8,))
POLE = targets(range(1, 7), (4, 5, 6))
READ = [{"id": f"staff:staff.csv:{row}", "when": f"{m:.3f} m", "probability": 1.0 * (m > 1.5)}
        for row, m in ((3, 0.882), (5, 1.204), (9, 1.611), (4, 2.317))]  # fmt: skip
JOINT = {**event(READ, began=2), "order": "readings"}
CASES = {
    "set-up that sank": (
        ("moved:setup/S4/9/", 20.0, event(SUNK, began=1)),
        "Set-up S4 (over P4), between 10:18 (sight to P3, row 8) and 10:19 (sight to P5, row 9), moved: "
        "it sank 20 mm (18 to 22).",
        "Set-up S4 (over P4): if it still stands, repeat its first sight (sight to P3, row 8): another height "
        "difference shows that it moved. If not, observe again row 9 of shots.csv.",
    ),
    "set-up taped after it rose": (
        ("moved:setup/S4//8", -20.0, event(EARLIER, ended=1)),
        "Set-up S4 (over P4), between 10:18 (sight to P3, row 8) and 10:19 (sight to P5, row 9), moved: "
        "it rose 20 mm (18 to 22).",
        "Set-up S4 (over P4): if it still stands, repeat its first sight (sight to P3, row 8): another height "
        "difference shows that it moved. If not, observe again row 8 of shots.csv.",
    ),
    "set-up that settled": (
        ("moved:setup/S4/9/9", 20.0, event(SUNK, began=1)),
        "Set-up S4 (over P4), between 10:18 (sight to P3, row 8) and 10:19 (sight to P5, row 9), moved: "
        "it sank slowly, in all by 20 mm (18 to 22).",
        "Set-up S4 (over P4): if it still stands, repeat its first sight (sight to P3, row 8): another height "
        "difference shows that it moved. If not, observe again row 9 of shots.csv.",
    ),
    "set-up, no times": (
        ("moved:setup/S4/9/", 20.0, event(sights((8, 9), (9,), timed=False), began=1)),
        "Set-up S4 (over P4), between the sight to P3 (row 8) and the sight to P5 (row 9), in the order of the rows, "
        "as no times tell it, moved: it sank 20 mm (18 to 22).",
        "Set-up S4 (over P4): if it still stands, repeat its first sight (sight to P3, row 8): another height "
        "difference shows that it moved. If not, observe again row 9 of shots.csv.",
    ),
    "target that sank": (
        ("moved:target/T4/7/", 30.0, event(sights((5, 7), (7,)), began=1)),
        "Target T4 on P3, between 10:15 (sight from S2, row 5) and 10:17 (sight from S3, row 7), moved: "
        "it sank 30 mm (28 to 32).",
        "Target T4 on P3: if it still stands, repeat its first sight (sight from S2, row 5): another height "
        "difference shows that it moved. If not, observe again row 7 of shots.csv.",
    ),
    "pole from noon on": (
        ("spell:equipment/P-A/T4/", -100.0, event(POLE, began=3)),
        "Every target height of P-A, from a moment between 11:00 (target T3) and 12:00 (target T4) on, is wrong: "
        "each recorded 100 mm too low (98 to 102).",
        "Measure P-A now, in parts, and ask what was done to it between 11:00 and 12:00.",
    ),
    "pole until noon": (
        ("spell:equipment/P-A//T3", 100.0, event(targets(range(1, 7), (1, 2, 3)), ended=3)),
        "Every target height of P-A, until a moment between 11:00 (target T3) and 12:00 (target T4), is wrong: "
        "each recorded 100 mm too high (98 to 102).",
        "Measure P-A now, in parts, and ask what was done to it between 11:00 and 12:00.",
    ),
    "pole from one moment to another": (
        ("spell:equipment/P-A/T3/T4", -100.0, event(targets(range(1, 7), (3, 4)), began=2, ended=4)),
        "Every target height of P-A, from a moment between 10:00 (target T2) and 11:00 (target T3) until a moment "
        "between 12:00 (target T4) and 13:00 (target T5), is wrong: each recorded 100 mm too low (98 to 102).",
        "Measure P-A now, in parts, and ask what was done to it between 10:00 and 11:00 and between 12:00 and 13:00.",
    ),
    "pole, no times": (
        ("spell:equipment/P-A/T4/", -100.0, event(targets(range(1, 7), (4, 5, 6), timed=False), began=3)),
        "Every target height of P-A, from a moment between target T3 and target T4 on, in the order of the rows, as "
        "no times tell it, is wrong: each recorded 100 mm too low (98 to 102).",
        "Measure P-A now, in parts, and ask what was done to it between target T3 and target T4.",
    ),
    "observer": (
        ("spell:observer_setups/R. Vane/S3/", 15.0,
         event([use("setup:S1", "08:00"), use("setup:S3", "09:00", 1.0), use("setup:S5", "09:30", 1.0)], began=1)),
        "Every instrument height by R. Vane, from a moment between 08:00 (set-up S1) and 09:00 (set-up S3) on, "
        "is wrong: each recorded 15 mm too high (13 to 17).",
        "Ask what was changed in the way of taping between 08:00 and 09:00, and tape one of these heights again in "
        "another way.",
    ),
    "instrument knocked": (
        ("spell:index/TS-1/S4/", 6.0, event(sights((6, 7, 8, 9), (8, 9)), began=2)),
        "The vertical index error of TS-1, from a moment between 10:17 (set-up S3) and 10:18 (set-up S4) on, is wrong: "
        "off by about 6 mm in a usual sight (4 to 8).",
        "Observe one target in both faces now, and ask what was done to TS-1 between 10:17 and 10:18.",
    ),
    "staff joint": (
        ("spell:staff_joint/staff 2/9/", -12.0, JOINT),
        "Every reading of staff 2, above a joint between 1.204 m (row 5) and 1.611 m (row 9), is wrong: each recorded "
        "12 mm too low (10 to 14).",
        "Measure staff 2 with a steel tape across the joint between 1.204 m and 1.611 m, and look whether it locks.",
    ),
    "joint of a staff without a name": (
        ("spell:staff_joint/(not named)/9/", -12.0, JOINT),
        "Every reading of the staff, above a joint between 1.204 m (row 5) and 1.611 m (row 9), is wrong: each "
        "recorded 12 mm too low (10 to 14).",
        "Measure the staff with a steel tape across the joint between 1.204 m and 1.611 m, and look whether it locks.",
    ),
    "prism at one mark": (
        ("local:equipment_at_mark/P-A/P3", -30.0, None),
        "Every target height of P-A at mark P3 is wrong: each recorded 30 mm too low (28 to 32).",
        "One of these targets measured to another point would show it.",
    ),
    "old list": (
        ("source:county list", 60.0, None),
        "Every known height of county list is wrong: each recorded 60 mm too high (58 to 62).",
        "Look up both lists of heights: of what year and in what system those of county list are, and those of the "
        "other known marks.",
    ),
    "target under another name": (
        ("misnamed:target/T4/P5", 412.0, None),
        "The name of the mark under target T4 (P3 booked, P5 fits) is wrong: the two are 412 mm apart in height "
        "(410 to 414).",
        "Look up in sketch and field book on which mark target T4 stood (P5 fits), and sight that mark again.",
    ),
    "set-up under another name": (
        ("misnamed:setup/S4/P6", -412.0, None),
        "The name of the mark under set-up S4 (P4 booked, P6 fits) is wrong: the two are 412 mm apart in height "
        "(410 to 414).",
        "Look up in sketch and field book on which mark set-up S4 stood (P6 fits), and sight that mark again.",
    ),
    "sight to another target": (
        ("misnamed:shot/shots.csv/9/T12", 412.0, None),
        "The target of the sight in row 9 of shots.csv (T8 booked, T12 fits) is wrong: the two are 412 mm apart in "
        "height (410 to 414).",
        "Look up in sketch and field book to which target the sight in row 9 of shots.csv went (T12 fits), and sight "
        "that target again.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_what_happened_is_said_with_its_time_its_size_and_what_to_do(name):
    found, headline, advice = CASES[name]
    facts, document = told(found)
    assert plain(document.headline) == headline
    assert section(document, "What to do in the field")[0] == advice
    assert section(document, "Is something wrong?")[0].startswith(headline)
    assert [plain(step.what) for step in steps(Words(facts))] == [advice]


def test_the_height_of_a_stand_that_moved_is_said_to_be_right_where_it_is():
    before, after = (told(CASES[name][0])[1] for name in ("set-up that sank", "set-up taped after it rose"))
    right = "Its recorded height is right for the sights"
    assert section(before, "Is something wrong?")[0].endswith(f"{right} before that.")
    assert section(after, "Is something wrong?")[0].endswith(f"{right} after that.")


def test_what_a_stand_rose_is_the_error_of_the_facts():
    _, document = told(CASES["set-up taped after it rose"][0])
    assert 'data-fact="error_mm" data-value="-20.0">it rose 20 mm<' in html(document.headline)


def test_two_events_have_one_headline_with_their_times_only():
    _, document = told(CASES["pole from noon on"][0], CASES["set-up that sank"][0])
    assert plain(document.headline) == (
        "2 things are wrong in this job: every target height of P-A from a moment between 11:00 and 12:00 on and "
        "set-up S4 (over P4), which moved between 10:18 and 10:19."
    )


def test_a_time_line_for_each_event_says_what_is_wrong_by_it_and_what_may_be():
    uses = targets(range(1, 7), (4, 5, 6))
    uses[2]["probability"] = 0.3
    facts, _ = told(("spell:equipment/P-A/T4/", -100.0, event(uses, began=2)), CASES["set-up that sank"][0])
    sheet = timeline(Words(facts), Keys(facts))
    texts = [plain(item.text) for item in flat(sheet.root) if hasattr(item, "text")]
    assert [text for text in texts if "by it" in text] == [
        "not touched by it", "not touched by it", "perhaps wrong by it: 30 in 100", "wrong by it", "wrong by it",
        "wrong by it", "not touched by it", "wrong by it",
    ]  # fmt: skip
    assert [text for text in texts if text.startswith("Shaded")] == ["Shaded: it may have begun or ended here."]
    assert "09:00" in texts and f"{DAY}09:00" not in texts


def flat(group):
    for item in group.items:
        yield from flat(item) if hasattr(item, "items") else (item,)


def test_times_of_several_days_keep_their_day():
    uses = targets((1, 2, 3), (3,))
    uses[2]["when"] = "2026-05-20T08:00"
    _, document = told(("spell:equipment/P-A/T3/", -100.0, event(uses, began=2)))
    assert "between 2026-05-19 10:00 (target T2) and 2026-05-20 08:00 (target T3) on" in plain(document.headline)


def test_every_kind_of_event_has_a_noun():
    assert [words_of(kind).many for kind in ("moved", "spell", "local", "source", "misnamed")] == [
        "stands that moved", "errors that began or ended during the job", "errors of several targets alike",
        "sources of known heights", "wrong names",
    ]  # fmt: skip
