"""What screening an archive writes: a job's record, archive.json, a row of archive.csv, what jobs tell together."""

from __future__ import annotations

from heightnet.ledger.record import NUMBER, TEXT, WHOLE, Fact, Keyed, Many, Maybe, Record, Words, each  # fmt: skip
from heightnet.ledger.results import LENGTH_UNIT, VERDICT
from heightnet.ledger.settings import SETTINGS

SCHEMA, ACROSS_SCHEMA = "heightnet-archive/2", "heightnet-across/1"

STATES = ("unexplained", "many", "wrong", "unclear", "error", "untested", "scatters", "closes")
"""States of a job in the order in which they want attention; "error": it could not be read or adjusted."""
COUNTED = ("setups", "targets", "marks", "shots", "levels", "staff", "gnss")
"""Tables whose rows an archive counts."""

# ---- a job ----

WORST = Record(
    (
        *each("text", "id what name"),
        Fact("error_mm", "number"),
        Fact("error_sd_mm", NUMBER),
        Fact("probability", NUMBER),
        Fact("cause", TEXT),
    )
)
HAPPENED = Record(
    (
        *each("text", "id text"),
        Fact("error_mm", "number"),
        Fact("error_sd_mm", NUMBER),
        Fact("probability", "share"),
    )
)
ERROR = Record(
    (
        Fact("kind", Words(("input", "job", "file", "memory", "unexpected", "killed"))),
        Fact("text", "text"),
        Fact("problems", Many("text", most=20)),
        Fact("count", "count"),
    )
)
JOB = Record(
    (
        Fact("path", "text", 'below the archive\'s folder, with /; "." where that folder is the job'),
        Fact("kind", "text", "the reader of its files: folder, workbook, landxml, or one that was added"),
        *each("text", "name title"),
        Fact("invented", "yes"),
        Fact("length_unit", Maybe(LENGTH_UNIT)),
        Fact("state", Words(STATES), "of the job, as its report has it; error: it could not be read or adjusted"),
        Fact("headline", "text", "the headline of the job's report, or the first line of its error"),
        Fact("stopped", Words(("", "budget", "seconds")), "what cut the job's search short"),
        Fact("worst", Maybe(WORST, "nothing is named"), "what is named first"),
        Fact(
            "happened", Many(HAPPENED),
            "what is named that happened in the field: what began, ended, moved or had another name; it is not counted "
            "among slips",
        ),
        Fact(
            "heights", Record(each("count", " ".join(VERDICT.choices))), "instrument and target heights of each verdict"
        ),
        Fact("unproved_share", Maybe("share", "there is none"), "of the heights judged"),
        Fact("findings", "count"),
        Fact(
            "gap", Maybe(Words(("unproved", "missing", "doubted", "weak")), "there is none"),
            "the worst verdict by which something of the job is not proved, as --strict counts it: of a height, of a "
            "levelled, staff or satellite row, or unproved of a sight",
        ),
        Fact("size", Record(each("count", " ".join(COUNTED)))),
        Fact("redundancy", WHOLE),
        Fact("passed", Maybe("yes", "nothing is redundant or the job could not be read"), "the global test"),
        Fact("dates", Many("text", most=2), "first and last day written in the job"),
        Fact("observers", Many("text"), "names, or what they are hidden by"),
        Fact("equipment", Many("text")),
        Fact(
            "report", TEXT,
            "address of the report beside this file: the page, else the results, else the errors",
        ),
        Fact("error", Maybe(ERROR)),
    ),
    "job",
)  # fmt: skip


def _some(record: Record, names: str, before: str = "") -> list[Fact]:
    return [Fact(before + name, record[name].type, record[name].meaning) for name in names.split()]


ROW = Record(
    (
        *_some(JOB, "path kind name title state headline stopped"),
        *_some(WORST, "id error_mm error_sd_mm probability cause", "worst_"),
        *each("count", " ".join(f"heights_{verdict}" for verdict in VERDICT.choices)),
        *_some(JOB, "unproved_share findings gap"),
        *each("count", " ".join(COUNTED)),
        *_some(JOB, "redundancy"),
        *each(TEXT, "first_day last_day"),
        *_some(JOB, "observers equipment report"),
        *each(TEXT, "error error_kind"),
    )
)
"""A job as a row of archive.csv and archive.parquet."""

# ---- all of them ----

ARCHIVE = Record(
    (
        Fact("schema", Words((SCHEMA,))),
        Fact("heightnet", Record(each("text", "version"))),
        Fact(
            "archive",
            Record((Fact("name", "text"), Fact("complete", "yes", "false: the run was stopped, and jobs wait"))),
        ),
        Fact("settings", "object", "settings replaced in every job, by dotted name"),
        Fact(
            "seconds", Maybe("number", "as many as its budget needs"), "that the search of one job might take"
        ),
        Fact("pages", "yes", "whether each job has a report.html"),
        Fact("observers", Words(("shown", "codes", "initials"))),
        Fact(
            "counts",
            Record(
                (
                    *each("count", " ".join(("found", "checked", "waiting", *STATES))),
                    Fact(
                        "gaps", "count",
                        "jobs that nothing contradicts in which something is not proved (their gap is not null)",
                    ),
                    *each("count", "passed_over dropped"),
                )
            ),
        ),
        Fact("across", Maybe("object"), "what the jobs tell together"),
        Fact("dropped", Many("text"), "jobs of the last run that are no longer there"),
        Fact("passed_over", Many(Record(each("text", "path reason")))),
        Fact("jobs", Many(JOB)),
    ),
    meaning="What screening an archive found: one record a job, in the order of paths. Lengths end in _mm; null where "
    "a number does not exist.",
)  # fmt: skip

# ---- what the jobs tell together ----

DAY = Maybe("day")
KIND = Words(("equipment", "instrument", "tape", "observer", "equipment_scale", "tape_scale", "index"), "kind")
LISTS = {"offsets": "mm", "scales": "mm_per_m", "indexes": "sec"}
"""The lists of what things may have wrong, and their units."""


def _thing(what: str, unit: str) -> Record:
    """A thing and its error."""
    let_go = (*each("whole", "jobs"), *each(NUMBER, f"error_{unit} error_sd_{unit}"), *each("yes", "agree"))
    return Record(
        (
            Fact("thing", "text"),
            Fact("kind", KIND),
            Fact("name", "text"),
            Fact("since", DAY, "of one that changed: from when it counts as this one"),
            Fact("until", DAY),
            *each("whole", "jobs heights"),
            *each(NUMBER, f"error_{unit} error_sd_{unit}"),
            Fact("w", NUMBER, "error over its standard deviation"),
            *each(NUMBER, f"smallest_detectable_{unit} predicted_{unit}"),
            Fact("left", "share", "part of its information that needs no assumption about other things"),
            Fact(
                "verdict", Words(("wrong", "slight", "right", "weak", "together", "unseen")),
                "slight: beyond chance, but surely under half of what matters; right: an error that matters would have "
                "shown; weak: it would not; together: it cannot be told from others; unseen: no job shows it",
            ),
            Fact(
                "together",
                Many(Record((Fact("thing", "text"), Fact("seen", Words(("sum", "difference")))))),
                "things that it cannot be told from, and what alone of the two errors is seen",
            ),
            Fact("let_go", Maybe(Record(let_go)), "what the jobs say in which its heights were let go"),
        ),
        what,
    )  # fmt: skip


_RATE = each("share", "rate low high")
BY = Many(
    Record(
        (
            Fact("name", "text"),
            *each("number", "heights tested expected"),
            *_RATE,
            Fact("stands_out", "yes", "surely more often wrong than all together"),
        ),
        "by",
    )
)
ACROSS = Record(
    (
        Fact("schema", Words((ACROSS_SCHEMA,))),
        *each("count", "jobs dated"),
        *each(DAY, "first_day last_day"),
        Fact("stands", Record(each("number", "all tested expected")), "heights, and the expected number of wrong ones"),
        Fact("false_alarm", "number"),
        Fact("critical_w", NUMBER, "that |w| of a thing must exceed to be called wrong"),
        Fact(
            "newly_mm", "number",
            "sd of an error that each thing has anew in each job, 0 where the jobs do not ask for one",
        ),
        Fact(
            "usual",
            Keyed(
                Record(
                    (
                        *(Fact(f"sd_{unit}", "number", required=False) for unit in LISTS.values()),
                        Fact("things", "whole"),
                    )
                )
            ),
            "of each kind, the scale of its errors in the mixed model",
        ),
        *(Fact(name, Many(_thing(name, unit)), "in order of |w|") for name, unit in LISTS.items()),
        Fact(
            "changes",
            Many(
                Record(
                    (
                        Fact("thing", "text"),
                        Fact("kind", KIND),
                        Fact("name", "text"),
                        Fact("unit", Words(tuple(LISTS.values()))),
                        *each(NUMBER, "before before_sd after after_sd"),
                        *each("number", "change change_sd w"),
                        Fact("chance", "share"),
                        Fact("from_day", "day", "from_day to to_day holds the change with probability .95"),
                        Fact("to_day", "day"),
                        Fact("likeliest_from", "day", "the likeliest gap between two jobs"),
                        Fact("likeliest_to", "day"),
                        *each("whole", "jobs_before jobs_after"),
                        *each(DAY, "since until"),
                    )
                )
            ),
            "a thing that changed is in the lists once for each of its times",
        ),
        Fact(
            "rates",
            Keyed(
                Record((*_RATE, Fact("assumed", "share"), Fact("hypotheses", "whole"), Fact("expected", "number"))),
                names=tuple(s.name.removeprefix("rates.") for s in SETTINGS if s.name.startswith("rates.")),
            ),
            "for `[rates]`, intervals of 95 %",
        ),
        Fact("rate_of_heights", "share"),
        Fact("observers", BY, "rates of wrong heights"),
        Fact("methods", BY),
        Fact("equipment", BY),
        Fact(
            "causes",
            Many(
                Record(
                    (
                        Fact("cause", "text"),
                        Fact("expected", "number"),
                        Fact("share", "share"),
                        *each("number", "per_thousand low high"),
                    )
                )
            ),
            "per thousand heights that something tests",
        ),
    )
)  # fmt: skip
