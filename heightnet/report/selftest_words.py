"""A self-test in plain words."""

from __future__ import annotations

from typing import Any

Record = dict[str, Any]


def percent(value: Record) -> str:
    """``1.2 % (+- 0.3)``, or that there was none."""
    if value["rate"] is None:
        return "none to judge by"
    return f"{100 * value['rate']:.1f} % (± {100 * value['se']:.1f})"


def selftest_lines(facts: Record) -> list[str]:
    """The report of ``heightnet selftest``, line by line."""
    lines = [
        f"{facts['job']}: its own network observed {facts['runs']} times anew (seed {facts['seed']}).",
        "",
        "Jobs without a blunder",
        f"  largest test beyond the critical value      {percent(facts['false_alarm'])}",
        f"  something called probably wrong             {percent(facts['false_accusation'])}",
        f"  something called wrong (over 90 %)          {percent(facts['false_accusation_sure'])}",
        "",
        "Jobs with blunders at the job's own rates",
        f"  exactly what was wrong, named               {percent(facts['exact'])}, of {facts['exact']['n']} with any",
        f"  of what was called probably wrong, it was   {percent(facts['precision'])}",
        "  found, by size of the blunder in standard deviations of its estimate:",
    ]
    for cell in facts["found"]:
        to = f"to {cell['to_sd']:g}" if cell["to_sd"] else "and more"
        lines.append(f"    {cell['from_sd']:>4g} {to:<8}  {percent(cell):>22}   of {cell['n']}")
    lines += ["", "What was stated, and how often it was so"]
    for cell in facts["calibration"]:
        stated = f"{100 * cell['stated']:.0f} %"
        lines.append(f"    stated {stated:>5}   observed {percent(cell):>18}   of {cell['n']}")
    lines += ["", "Things that nothing in the job tells apart count as one; what nothing tests was not planted."]
    return lines
