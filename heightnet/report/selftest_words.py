"""A self-test in plain words."""

from __future__ import annotations

from typing import Any

from heightnet.report.numbers import INTERVAL, of_100

Record = dict[str, Any]


def of_a_hundred(value: Record) -> str:
    """``1.2 in 100 (0.6 to 1.8)``, the range of 95 of 100 such self-tests; or that there was none.

    >>> of_a_hundred({"rate": 0.0125, "se": 0.0025, "n": 2000}), of_a_hundred({"rate": None, "se": None, "n": 0})
    ('1.2 in 100 (0.8 to 1.7)', 'none to judge by')
    """
    if value["rate"] is None:
        return "none to judge by"
    low, high = (
        min(max(value["rate"] + side * INTERVAL * value["se"], 0.0), 1.0) for side in (-1, 1)
    )  # fmt: skip
    return f"{100 * value['rate']:.1f} in 100 ({100 * low:.1f} to {100 * high:.1f})"


def selftest_lines(facts: Record) -> list[str]:
    """The report of ``heightnet selftest``, line by line."""
    wrong, sure = facts["exact"]["n"], facts["places_sure"]
    lines = [
        f"{facts['job']}: its own network observed {facts['runs']:,} times anew (seed {facts['seed']}).",
        "",
        "Jobs in which nothing is wrong",
        f"  anything said                          {of_a_hundred(facts['false_alarm'])}",
        f"  a place told as probably wrong         {of_a_hundred(facts['false_place'])}",
        f"  a place told as wrong                  {of_a_hundred(facts['false_place_sure'])}",
        "",
        "Jobs with blunders at the job's own rates",
        f"  a place told as wrong holds one        {of_a_hundred(sure)}, of {sure['n']:,}",
        f"  a place told at all holds one          {of_a_hundred(facts['places'])}, of {facts['places']['n']:,}",
        f"  what is named alone was wrong          {of_a_hundred(facts['named'])}, of {facts['named']['n']:,}",
        f"  the likeliest set is the truth         {of_a_hundred(facts['exact'])}, of {wrong:,} with any",
        f"  the truth is among the sets shown      {of_a_hundred(facts['shown'])}",
        "",
        "Blunders by their size, in standard deviations of their own test: something is said, a place told that holds "
        "it, it alone named",
    ]  # fmt: skip
    for cell in facts["found"]:
        to = f"to {cell['to_sd']:g}" if cell["to_sd"] else "and more"
        if not cell["n"]:
            lines.append(f"  {cell['from_sd']:>4g} {to:<8}  none of this size")
            continue
        shares = ", ".join(f"{100 * cell[key]['rate']:.0f}" for key in ("said", "placed", "named"))
        lines.append(f"  {cell['from_sd']:>4g} {to:<8}  {shares} in 100, of {cell['n']:,}")
    lines += ["", "Chances stated of places, and how often they held one"]
    for cell in facts["calibration"]:
        lines.append(f"  stated {of_100(cell['stated']):<20}  it was so {of_a_hundred(cell)}, of {cell['n']:,}")
    if not facts["calibration"]:
        lines.append("  no place was told")
    lines += [
        "",
        "A range holds 95 of 100. Things that nothing in the job tells apart count as one;",
        "what nothing tests was not planted.",
    ]
    return lines
