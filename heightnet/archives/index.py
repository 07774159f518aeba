"""What an archive run writes of all its jobs: index.html, archive.json, archive.csv, archive.parquet, rates.toml.

Each file is made in one pass over the store, one record at a time, beside its place, and then renamed.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from itertools import islice
from pathlib import Path
from typing import Any

import heightnet
from heightnet.archives.one import Order
from heightnet.archives.store import Store
from heightnet.ledger.archive import ROW, SCHEMA, WORST
from heightnet.ledger.record import Many, Maybe, Type
from heightnet.report.writing import beside, csv_rows, write_text
from heightnet.rows import Record

ROWS_AT_ONCE = 1000


def write_index(store: Store, order: Order, parquet: bool) -> list[Path]:
    """Write the files of the index into the archive's output; returns their paths."""
    from heightnet.report.across_words import rates_toml
    from heightnet.report.archive_page import page_pieces

    output = Path(order.output)
    head = archive_facts(store, order)
    jobs = store.records(worst_first=True)
    texts = {
        "archive.json": json_pieces(head, store),
        "archive.csv": _csv_pieces(store.records()),
        "rates.toml": [rates_toml(head["across"])] if head["across"] else [],
        "index.html": page_pieces(
            head, jobs, store.records(worst_first=True), store.dropped(), map(asdict, store.passed_over())
        ),
    }
    written = [write_text(output / name, pieces) for name, pieces in texts.items() if pieces]
    if parquet:
        written.append(_write_parquet(output / "archive.parquet", store.records()))
    for name in {*texts, "archive.parquet"} - {path.name for path in written}:
        (output / name).unlink(missing_ok=True)  # of an earlier run; it would not hold what the others do
    return written


def archive_facts(store: Store, order: Order) -> Record:
    """The facts of archive.json but for the lists of jobs."""
    from heightnet.archives.across import across_jobs
    from heightnet.job.problems import printable

    counts = store.counts()
    return {
        "schema": SCHEMA,
        "heightnet": {"version": heightnet.__version__},
        "archive": {"name": printable(Path(order.folder).name), "complete": not counts["waiting"]},
        "settings": {name.replace("__", "."): value for name, value in order.settings.items()},
        "seconds": order.seconds,
        "pages": order.page,
        "observers": order.hide or "shown",
        "counts": counts,
        "across": across_jobs(store.reduced) if any(store.reduced()) else None,
    }


def json_pieces(head: Record, store: Store) -> Iterator[str]:
    """The text of archive.json, one record a line."""
    yield "{\n"
    for name, value in head.items():
        yield f"{json.dumps(name)}: {_dumps(value)},\n"
    lists: dict[str, Iterable[Any]] = {
        "dropped": store.dropped(),
        "passed_over": map(asdict, store.passed_over()),
        "jobs": store.records(),
    }
    for number, (name, values) in enumerate(lists.items()):
        yield f"{',' if number else ''}\n{json.dumps(name)}: ["
        for place, value in enumerate(values):
            yield f"{',' if place else ''}\n{_dumps(value)}"
        yield "]"
    yield "\n}\n"


_dumps = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode


def flat(record: Record) -> Record:
    """A record as one row of a table: the keys of `ROW`; what does not exist is None."""
    worst, error, dates = record["worst"] or {}, record["error"] or {}, record["dates"] or [None, None]
    row = {
        **record,
        **{f"worst_{key}": worst.get(key) for key in WORST.names},
        **{f"heights_{verdict}": number for verdict, number in record["heights"].items()},
        **record["size"],
        "first_day": dates[0],
        "last_day": dates[1],
        "error": "\n".join(error["problems"]) or error["text"] if error else None,
        "error_kind": error.get("kind"),
    }
    return {name: row[name] for name in ROW.names}


def _csv_pieces(records: Iterator[Record]) -> Iterator[str]:
    yield csv_rows([[name] for name in ROW.names])
    while rows := [flat(record) for record in islice(records, ROWS_AT_ONCE)]:
        yield csv_rows([[_cell(row[name]) for row in rows] for name in ROW.names])


def _cell(value: Any) -> Any:
    return "; ".join(value) if isinstance(value, list) else value


def _write_parquet(path: Path, records: Iterator[Record]) -> Path:
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {"number": pa.float64(), "share": pa.float64(), "count": pa.int64(), "whole": pa.int64()}

    def arrow(type: Type) -> Any:
        if isinstance(type, Many):
            return pa.list_(arrow(type.of))
        return arrow(type.of) if isinstance(type, Maybe) else types.get(str(type), pa.string())

    schema = pa.schema([(fact.name, arrow(fact.type)) for fact in ROW])
    with beside(path, binary=True) as file, pq.ParquetWriter(file, schema, compression="zstd") as writer:
        while rows := [flat(record) for record in islice(records, ROWS_AT_ONCE)]:
            writer.write_table(pa.Table.from_pylist(rows, schema))
    return path
