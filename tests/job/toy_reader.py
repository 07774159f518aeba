"""A reader of a text format invented for this test, to show what it takes to add one.

known BM1 100.000
BM1 1.536 BM2 1.600 50.990 88-36-10      at, instrument height, to, target height, slope distance, zenith angle
"""

from pathlib import Path

from heightnet.job.convert import Batch, Sheet
from heightnet.job.intake import Intake
from heightnet.job.readers.registry import Reader

COLUMNS = {
    "marks": ["mark", "height"],
    "shots": ["at", "instrument_height", "mark", "target_height", "slope_distance", "zenith_angle"],
}


def _read(path: Path, intake: Intake) -> None:
    batches = {table: Batch([], []) for table in COLUMNS}
    for line, text in enumerate(path.read_text(encoding="utf-8", errors="surrogateescape").splitlines(), start=1):
        words = text.split()
        if words:
            table, cells = ("marks", words[1:]) if words[0] == "known" else ("shots", words)
            batches[table].rows.append(line)
            batches[table].cells.append(cells)
    for table, batch in batches.items():
        intake.take(table, Sheet(path.name, COLUMNS[table], 0, [batch], counts="line"))


READER = Reader(
    name="toy", called="toy book", expects="a toy book (.toy)", read=_read, suffixes=(".toy",),
    turned_away={".toy2": "a toy book of another kind; save it as .toy"},
)  # fmt: skip
