"""Make the reports of the demo jobs again: ``python -m tests.make_reports``.

With ``--check`` nothing is written: it ends in status 1 where a report in ``reports/`` is not what the code gives now.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import heightnet

ROOT = Path(__file__).resolve().parents[1]
COMPARED = ("results.json", "setups.csv", "targets.csv", "marks.csv", "report.html")


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
        for folder in make(ROOT / "reports"):
            print(folder.relative_to(ROOT))
        return 0
    with tempfile.TemporaryDirectory() as scratch:
        stale = []
        for folder in make(Path(scratch)):
            for name in (*COMPARED, "summary.txt"):
                kept = ROOT / "reports" / folder.name / name
                if not kept.is_file() or kept.read_bytes() != (folder / name).read_bytes():
                    stale.append(str(kept.relative_to(ROOT)))
        for name in stale:
            print(f"not current: {name}")
        if stale:
            print("Run: python -m tests.make_reports")
        else:
            print("reports are current")
        return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
