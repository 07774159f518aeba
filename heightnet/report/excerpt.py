"""What of a large job belongs on a page: what is accused and what touches it, what is tested least, known marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from heightnet.gaps import row_tables
from heightnet.report.namer import antennas_of
from heightnet.report.words import VERDICTS
from heightnet.rows import Record, column

WHOLE_UP_TO = 20_000  # sights, levelled differences, staff readings and satellite heights: a page holds all up to here
STANDS = 300  # set-ups shown, accused ones first, then those tested least; as many targets
SIGHTS = 4_000
LEVELLED = 2_000
KNOWN = 300
LOOPS = 300
FINDINGS = 300
ACCUSED = ("suspect", "either")
ENDS = ("from_mark", "to_mark", "mark")
ORDER = list(VERDICTS)


def excerpt(facts: dict[str, Any]) -> dict[str, Any]:
    """The facts of a large job cut down to what matters; those of another job as they are.

    Parameters
    ----------
    facts : as written.
    """
    if sum(len(facts.get(table, [])) for table in ("shots", *row_tables())) <= WHOLE_UP_TO:
        return facts
    setups, targets = (_least_tested(facts[table]) for table in ("setups", "targets"))
    chosen = {
        "setup": {facts["setups"][i]["setup"] for i in setups},
        "target": {facts["targets"][i]["target"] for i in targets},
    }
    shots = _sights(facts["shots"], chosen)
    of_shots = [facts["shots"][i] for i in shots]
    for table, kept in (("setups", setups), ("targets", targets)):  # both ends of every sight shown
        name = table[:-1]
        ends = {shot[name] for shot in of_shots} - chosen[name]
        kept += [i for i, one in enumerate(column(facts[table], name)) if one in ends]
        kept.sort()
    stands = {"setups": [facts["setups"][i] for i in setups], "targets": [facts["targets"][i] for i in targets]}
    moved = {m["mark"] for s in facts["suspects"][:FINDINGS] for m in s["moved"]}
    marks = {r["mark"] for records in stands.values() for r in records} | moved
    marks |= {shot[end] for shot in of_shots for end in ("from_mark", "to_mark")} - {None}
    levelled = {table: _levelled(facts.get(table, []), marks) for table in row_tables()}
    marks |= {r[end] for rows in levelled.values() for r in rows for end in ENDS if r.get(end)}
    known = _known(facts["known"], marks)
    marks |= {r["mark"] for r in known}
    return {
        **facts,
        **stands,
        **levelled,
        "excerpt": True,
        "antennas": sorted(antennas_of(facts)),
        "separations": _known(facts.get("separations", []), marks),
        "shots": of_shots,
        "known": known,
        "marks": [facts["marks"][i] for i, one in enumerate(column(facts["marks"], "mark")) if one in marks],
        "loops": sorted(_numbered(facts["loops"]), key=lambda loop: loop["closes"] is not False)[:LOOPS],
        "suspects": facts["suspects"][:FINDINGS],
        "screening": facts["screening"][:FINDINGS],
        "reading_checks": sorted(_numbered(facts["reading_checks"]), key=lambda check: check["agrees"])[:FINDINGS],
        "pieces": [
            {**piece, "marks": _among(piece["marks"], marks), "setups": _among(piece["setups"], chosen["setup"])}
            for piece in facts["pieces"]
        ],
        "explanations": [{**e, "marks": [m for m in e["marks"] if m["mark"] in marks]} for e in facts["explanations"]],
    }  # fmt: skip


def _numbered(records: Sequence[Record]) -> list[Record]:
    """Records that keep their place in results.json."""
    return [{**record, "number": number} for number, record in enumerate(records, start=1)]


def _among(names: Iterable[str], chosen: set[str]) -> list[str]:
    return [name for name in names if name in chosen]


def _least_tested(stands: Sequence[Record]) -> list[int]:
    """Positions of those that need attention most."""
    verdicts, sizes = column(stands, "verdict"), column(stands, "smallest_found_mm")
    order = sorted(
        (i for i, verdict in enumerate(verdicts) if verdict != "free"),
        key=lambda i: (ORDER.index(verdicts[i]), -(sizes[i] or 0.0)),
    )
    return order[:STANDS]


def _sights(shots: Sequence[Record], chosen: dict[str, set[str]]) -> list[int]:
    """Positions of accused sights, and of those from and to the stands chosen."""
    rows = zip(column(shots, "verdict"), column(shots, "setup"), column(shots, "target"), strict=True)
    near = [
        (verdict not in ACCUSED, i)
        for i, (verdict, setup, target) in enumerate(rows)
        if verdict in ACCUSED or setup in chosen["setup"] or target in chosen["target"]
    ]
    return sorted(i for _, i in sorted(near)[:SIGHTS])


def _levelled(records: Sequence[Record], marks: Iterable[str]) -> list[Record]:
    """Accused rows first, then those that touch the marks chosen; in the order of the job."""
    ends = [name for name in ENDS if len(records) and name in records[0]]
    verdicts = column(records, "verdict")
    touching = set()
    for name in ends:
        touching |= {i for i, mark in enumerate(column(records, name)) if mark in marks}
    order = sorted(range(len(records)), key=lambda i: (verdicts[i] not in ACCUSED, i not in touching, i))
    return [records[i] for i in sorted(order[:LEVELLED])]


def _known(known: Sequence[Record], marks: set[str]) -> list[Record]:
    """Accused known heights, those of the marks chosen, and of the others every so many."""
    verdicts, names = column(known, "verdict"), column(known, "mark")
    asked = [i for i, verdict in enumerate(verdicts) if verdict in ACCUSED or names[i] in marks][:KNOWN]
    every = 1 + len(known) // KNOWN
    return [known[i] for i in sorted({*asked, *range(0, len(known), every)})]
