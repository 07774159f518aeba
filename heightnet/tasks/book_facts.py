"""What only a levelling book has: its own arithmetic, tests of the level, sets of busts by section, what could hide."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from itertools import pairwise

import numpy as np

from heightnet.job.booked import slips_of_arithmetic
from heightnet.job.model import Job
from heightnet.ledger.field import METRES
from heightnet.ledger.thing import POINTING
from heightnet.network.runs import Chain
from heightnet.reduce.two_peg import two_peg_tests
from heightnet.tasks.facts import JobFacts, Record, number

Sections = Mapping[tuple[str, str], list[Chain]]

SETS_SHOWN = 6
IDS_SHOWN = 60  # of those that nothing tells from a bust
WHOLE_SETS = 3  # busts in a set that is told with its sections


def arithmetic(job: Job) -> Record:
    """The figures that the book itself reckoned, re-added."""
    slips, count = slips_of_arithmetic(job.staff, job.marks, METRES[job.settings.units.length])
    return {
        "re_added": count,
        "slips": [
            {
                "run": slip.run, "file": job.files["staff"], "row": slip.row, "mark": slip.mark, "what": slip.what,
                "booked_m": slip.booked, "makes_m": slip.makes, "difference_mm": (slip.booked - slip.makes) * 1000,
            }
            for slip in slips
        ],
    }  # fmt: skip


def level_tests(job: Job, runs: Iterable[Record]) -> list[Record]:
    """Tests by two pegs, and what a collimation error of that size does to each run of unequal sights."""
    out = []
    for test in two_peg_tests(job.two_peg, job.settings):
        moved = [] if test.error != test.error else [
            {"run": run["run"], "from_mark": run["from_mark"], "to_mark": run["to_mark"],
             "rise_mm": test.error * run["imbalance_m"] * 1000}
            for run in runs if run["imbalance_m"] is not None
        ]  # fmt: skip
        record = {
            "test": test.test or None, "file": job.files["two_peg"], "rows": list(test.rows), "when": test.when or None,
            "collimation_mm_per_10m": number(test.error, 10_000), "sd_mm_per_10m": number(test.sd, 10_000),
            "collimation_sec": number(float(np.degrees(test.error)), 3600),
            "spare": test.spare, "largest_residual_mm": test.largest_residual * 1000, "moves": moved,
        }  # fmt: skip
        out.append(record)
    return out


def sets_of_busts(facts: JobFacts, between: Sections) -> list[Record]:
    """The explanations by how many busts they have and in which sections these lie, likeliest first.

    Explanations that differ only in which reading of a section is wrong are one set.
    """
    section = section_of(between)
    family, label = facts.family, facts.bench.classes.label
    gathered: dict[tuple[object, ...], list[tuple[float, Record]]] = defaultdict(list)
    for e in facts.judgement.explanations:
        if not 1 <= len(e.members) <= WHOLE_SETS:
            continue
        busts = []
        for h, b, variance in zip(e.members.tolist(), e.error.tolist(), np.diag(e.covariance).tolist(), strict=True):
            same = facts.bench.classes.members(int(label[h]))
            ids = [str(family.ids[x]) for x in same]
            lies = _stretch([section.get(id_) for id_ in ids], list(between))
            busts.append(
                {"id": str(family.ids[h]), "like_it": len(ids) - 1, "ids": ids[:IDS_SHOWN],
                 "from_mark": lies[0] if lies else None, "to_mark": lies[1] if lies else None,
                 "error_mm": b * 1000, "error_sd_mm": variance**0.5 * 1000}
            )  # fmt: skip
        busts.sort(key=lambda one: (one["from_mark"] is None, str(one["from_mark"]), one["id"]))
        key = tuple((b["from_mark"], b["to_mark"]) if b["from_mark"] else b["id"] for b in busts)
        gathered[key].append((e.probability, {"busts": busts}))
    sets = []
    for of in gathered.values():
        best = max(of, key=lambda one: one[0])[1]["busts"]
        for i, bust in enumerate(best):  # in whichever of the explanations that have their busts there
            ids = list(dict.fromkeys(id_ for _, one in of for id_ in one["busts"][i]["ids"]))
            bust |= {"ids": ids[:IDS_SHOWN], "like_it": len(ids) - 1}
        sets.append({"probability": facts.capped(sum(p for p, _ in of)), "number": len(best), "busts": best})
    if not any(bust["from_mark"] for one in sets for bust in one["busts"]):
        return []  # nothing levelled among them
    sets.sort(key=lambda one: (-round(one["probability"], 4), one["number"]))
    return [{"order": i, **one} for i, one in enumerate(sets[:SETS_SHOWN], start=1)]


def _stretch(places: Iterable[tuple[str, str] | None], order: list[tuple[str, str]]) -> tuple[str, str] | None:
    """From where to where some readings lie, by their sections, which follow one another; None where they do not."""
    inside = set(places)
    if None in inside:
        return None
    at = [i for i, ends in enumerate(order) if ends in inside]
    follow = all(j == i + 1 and order[i][1] == order[j][0] for i, j in pairwise(at))
    return (order[at[0]][0], order[at[-1]][1]) if follow else None


def section_of(between: Sections) -> dict[str, tuple[str, str]]:
    """The section in which each reading, difference or exchange lies, by its id."""
    out: dict[str, tuple[str, str]] = {}
    for ends, parts in between.items():
        for part in parts:
            out |= dict.fromkeys((*part.ids, *part.together), ends)
    return out


def hides(facts: JobFacts, between: Sections) -> list[Record]:
    """Of each section of a book that closes: how large an error in one of its readings could be and not show."""
    family = facts.family
    at = {str(id_): h for h, id_ in enumerate(family.ids) if family.observation[h] >= 0 or family.kind[h] == POINTING}
    out = []
    for (start, end), parts in between.items():
        found = [
            facts.found[at[id_]]
            for part in parts
            if part.kind != "trig"
            for id_ in (*part.ids, *part.together)
            if id_ in at
        ]
        if found:
            times = sum(part.kind != "trig" for part in parts)
            out.append(
                {"from_mark": start, "to_mark": end, "levelled": times, "found_mm": number(max(found), 1000)}
            )  # fmt: skip
    return out
