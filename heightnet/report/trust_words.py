"""How far a job's verdicts can be trusted, in plain words."""

from __future__ import annotations

from heightnet.report.document import Document, Section, Table
from heightnet.report.numbers import INTERVAL, of_100
from heightnet.rows import Record


def of_a_hundred(value: Record) -> str:
    """``1.2 in 100 (0.6 to 1.8)``, the range of 95 of 100 such simulations; or that there was none.

    >>> of_a_hundred({"rate": 0.0125, "se": 0.0025, "n": 2000}), of_a_hundred({"rate": None, "se": None, "n": 0})
    ('1.2 in 100 (0.8 to 1.7)', 'none to judge by')
    """
    if value["rate"] is None:
        return "none to judge by"
    low, high = (
        min(max(value["rate"] + side * INTERVAL * value["se"], 0.0), 1.0) for side in (-1, 1)
    )  # fmt: skip
    return f"{100 * value['rate']:.1f} in 100 ({100 * low:.1f} to {100 * high:.1f})"


def trust_document(facts: Record) -> Document:
    """What simulating a job found of its verdicts."""
    wrong, sure = facts["exact"]["n"], facts["places_sure"]
    blunders = [
        ["a place told as wrong holds one", f"{of_a_hundred(sure)}, of {sure['n']:,}"],
        ["a place told at all holds one", f"{of_a_hundred(facts['places'])}, of {facts['places']['n']:,}"],
        ["what is named alone was wrong", f"{of_a_hundred(facts['named'])}, of {facts['named']['n']:,}"],
        ["the likeliest set is the truth", f"{of_a_hundred(facts['exact'])}, of {wrong:,} with any"],
        ["the truth is among the sets shown", of_a_hundred(facts["shown"])],
    ]
    clean = [
        ["anything said", of_a_hundred(facts["false_alarm"])],
        ["a place told as probably wrong", of_a_hundred(facts["false_place"])],
        ["a place told as wrong", of_a_hundred(facts["false_place_sure"])],
    ]
    stated = [
        [f"stated {of_100(cell['stated'])}", f"it was so {of_a_hundred(cell)}, of {cell['n']:,}"]
        for cell in facts["calibration"]
    ]
    sizes = "Something is said, a place told that holds it, it alone named; sizes in sds of its own test."
    return Document(
        title=f"{facts['job']}: its own network observed {facts['runs']:,} times anew (seed {facts['seed']})",
        blocks=[
            Section("Jobs in which nothing is wrong", [Table((), clean)]),
            Section("Jobs with blunders at the job's own rates", [Table((), blunders)]),
            Section("Blunders by their size", [sizes, Table((), [_found(cell) for cell in facts["found"]])]),
            Section("Chances stated of places, and how often they held one",
                    [Table((), stated) if stated else "No place was told."]),
        ],
        foot="A range holds 95 of 100. Things that nothing in the job tells apart count as one; what nothing tests was "
        "not planted.",
    )  # fmt: skip


def _found(cell: Record) -> list[str]:
    """What was said of blunders of one range of sizes."""
    to = f"to {cell['to_sd']:g}" if cell["to_sd"] else "and more"
    size = f"{cell['from_sd']:g} {to}"
    if not cell["n"]:
        return [size, "none of this size"]
    shares = ", ".join(f"{100 * cell[key]['rate']:.0f}" for key in ("said", "placed", "named"))
    return [size, f"{shares} in 100, of {cell['n']:,}"]
