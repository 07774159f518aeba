"""The network in plan with the measurements that are planned: dashed, each with its number."""

from __future__ import annotations

from collections import defaultdict

from heightnet.report.claims import name
from heightnet.report.document import Picture
from heightnet.report.pictures.drawing import Circle, Drawing
from heightnet.report.pictures.layout import node_of, placed
from heightnet.report.pictures.names import Names
from heightnet.report.pictures.plan import to_sheet
from heightnet.report.words import Words

WIDTH = 690.0
MOST = 60  # steps drawn: of more the first


def plan_picture(words: Words) -> list[Picture]:
    """The picture of a plan as a block; none where nothing is to be measured, or the job is too large to be drawn."""
    drawn = next_steps(words)
    return [Picture("Where to measure", drawn)] if drawn else []


def next_steps(words: Words) -> Drawing | None:
    """Marks, what ties them today, and the steps: a line between two marks dashed, a step at one mark a dashed ring."""
    facts = words.facts
    steps, network = facts["steps"], facts.get("network")
    if not steps or not network or not network["marks"]:
        return None
    given = {node_of(m["mark"]): (m["east_m"], m["north_m"]) for m in network["marks"] if m["east_m"] is not None}
    ties = {
        (node_of(line["from_mark"]), node_of(line["to_mark"])): max(line["length_m"] or 100.0, 1.0)
        for line in network["lines"]
    }
    at, _, height = to_sheet(placed([node_of(m["mark"]) for m in network["marks"]], ties, given))
    sheet = Drawing(
        "next-steps", "Where to measure",
        "The marks of the job and the sights and lines between them; planned measurements dashed, with their numbers.",
        WIDTH, height + 44,
    )  # fmt: skip
    for start, end in ties:
        if start in at and end in at:
            sheet.line([at[start], at[end]], "sight")
    names, numbers = Names(), defaultdict[tuple[float, float], list[str]](list)
    rings: dict[tuple[float, float], None] = {}
    for step in steps[:MOST]:
        ends = [at[node] for mark in (step["from_mark"], step["mark"]) if mark and (node := node_of(mark)) in at]
        if len(set(ends)) == 2:
            sheet.line(ends, "planned")
        rings |= dict.fromkeys(ends[:1]) if len(set(ends)) == 1 else {}
        if ends:
            numbers[sum(x for x, _ in ends) / len(ends), sum(y for _, y in ends) / len(ends)].append(str(step["order"]))
    for ring in rings:
        sheet.add(Circle(ring, 11.0, "planned"))
    for mark in network["marks"]:
        x, y = at[node_of(mark["mark"])]
        sheet.sign("known" if mark["known"] else "found", x, y, 5.0)
        ringed = (x, y) in rings
        names.block(x, y - 6 if ringed else y, 15 if ringed else 6)
        names.want(x + (6 if ringed else 0), y, name(mark["mark"]), 2, "name")
    for (x, y), told in numbers.items():  # above a ring, upon a line
        sheet.text(x, y - 15 if (x, y) in rings else y + 4, ", ".join(told), "strong", "middle")
        names.block(x, y, 7)
    names.write(sheet, height)
    foot = "Dashed, with its number: to be measured; a ring where it is at the mark itself. Thin: measured already."
    more = f" The first {MOST} of {len(steps):,}." if len(steps) > MOST else ""
    sheet.text(8, height + 16, foot + more)
    for x, sign, word in ((14.0, "known", "known mark"), (120.0, "found", "mark to be found")):
        sheet.sign(sign, x, height + 32, 4.0)
        sheet.text(x + 11, height + 36, word)
    return sheet
