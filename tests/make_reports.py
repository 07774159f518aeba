"""Make the reports of the demo jobs again: ``python -m tests.make_reports``.

With ``--check`` nothing is written: it says every difference between what ``reports/examples/`` shows and what the
code gives now, and ends in status 1 where there is one.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import heightnet
from tests.compare_reports import differences

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = ROOT / "reports" / "examples"
SAID = 40  # differences listed; all the others are counted


def make(folder: Path) -> list[Path]:
    """Write the report of every demo job below a folder, and its summary as text."""
    made = []
    for job in sorted(p for p in (ROOT / "data").iterdir() if p.is_dir()):
        result = heightnet.check(job)
        result.write(folder / job.name)
        (folder / job.name / "summary.txt").write_text(result.summary() + "\n", encoding="utf-8")
        made.append(folder / job.name)
    return made


def main() -> int:
    if "--check" not in sys.argv:
        for folder in make(EXAMPLES):
            print(folder.relative_to(ROOT))
        return 0
    with tempfile.TemporaryDirectory() as scratch:
        make(Path(scratch))
        found = differences(EXAMPLES, Path(scratch))
    for said in found[:SAID]:
        print(said)
    if found:
        more = f"{len(found)} differences, {SAID} of them above. " if len(found) > SAID else ""
        print(f"{more}If they are meant: python -m tests.make_reports")
    else:
        print("reports/examples/ shows what the code gives now")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
