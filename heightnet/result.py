"""What a check found: the facts, and the ways to look at them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from heightnet.gaps import gaps
from heightnet.ledger.results import READING, SCHEMA, table, tables
from heightnet.rows import Record, Rows

if TYPE_CHECKING:
    import pandas as pd

    from heightnet.report.document import Document

CONTRADICTED = ("unclear", "wrong", "many", "unexplained")


class Result:
    """The facts of one check, as ``results.json`` holds them, and everything that shows them.

    ``facts`` reads as plain Python, its long tables as `heightnet.rows.Rows`: numbers are int, float or None,
    lengths end in ``_m`` or ``_mm``, and an error above 0 means recorded too high. Every list of records but
    ``explanations`` is an attribute too, ``result.setups``, as is ``readings``: pandas DataFrames of the same records,
    made when asked for.
    """

    def __init__(self, facts: Record) -> None:
        self.facts = facts

    @classmethod
    def from_json(cls, path: str | Path) -> Result:
        """A result read back from a ``results.json``; raises HeightnetError where it is none."""
        from heightnet.errors import HeightnetError

        try:
            facts = json.loads(Path(path).read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise HeightnetError(f"{path}: not a results file: {error}") from error
        if not isinstance(facts, dict) or facts.get("schema") != SCHEMA:
            raise HeightnetError(f'{path}: not a results file: no "schema": "{SCHEMA}" in it')
        return cls(facts)

    def __getattr__(self, name: str) -> Any:
        if name in tables():
            frame = _frame(self.facts.get(name, []), table(name).names)
            self.__dict__[name] = frame
            return frame
        raise AttributeError(f"{type(self).__name__!r} object has no attribute {name!r}")

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *tables()]

    @cached_property
    def readings(self) -> pd.DataFrame:
        """Every tape reading with its reduction, and the stand it belongs to (``of``: "setup" or "target")."""
        readings = [
            {"of": kind, "stand": stand[kind], **reading}
            for kind in ("setup", "target")
            for stand in self.facts[f"{kind}s"]
            for reading in stand["readings"]
        ]
        return _frame(readings, READING.names)

    @property
    def explanations(self) -> list[Record]:
        """The sets of blunders that explain the job, likeliest first, with the heights each would give."""
        explanations: list[Record] = self.facts["explanations"]
        return explanations

    def exit_status(self, strict: bool = False) -> int:
        """0: nothing contradicts; 1: something does.

        With ``strict`` 1 too where the job scatters more than stated, nothing tests it, or something in it is not
        proved, see `heightnet.gaps`.
        """
        state = self.facts["judgement"]["state"]
        if state in CONTRADICTED:
            return 1
        return int(strict and (state != "closes" or bool(gaps(self.facts))))

    @cached_property
    def shown(self) -> Record:
        """The facts rounded as results.json holds them; everything for people is made from these."""
        from heightnet.report.facts import as_written

        return as_written(self.facts)

    @cached_property
    def story(self) -> Document:
        """What is said of the job, told once for terminal, page and archive."""
        from heightnet.report.check_words import check_document

        return check_document(self.shown)

    def summary(self) -> str:
        """The story in plain words, about twenty lines."""
        from heightnet.report.text import plain

        return plain(self.story)

    def to_json(self) -> str:
        """The text of results.json: keys in the schema's order, numbers rounded far below what a tape reads."""
        from heightnet.report.facts import json_chunks

        return "".join(json_chunks(self.facts))

    def page(self) -> str:
        """The text of report.html: one file, nothing loaded from elsewhere."""
        from heightnet.report.page import page

        return page(self.shown, self.story)

    def write(self, folder: str | Path, page: bool = True, figures: Sequence[str] = ()) -> list[Path]:
        """Write results.json, the CSV tables and, with ``page``, report.html and figures/; returns the paths.

        ``figures`` names kinds of files, "pdf" or "png", that the pictures are written as besides.

        Everything but results.json is made before the first file is written, and each file is written beside its
        place and renamed: a reader never finds half of one.

        Raises
        ------
        HeightnetError : the folder holds a job, whose tables these would replace.
        WrongSettings : there is no such kind of figures.
        """
        from heightnet.job.settings import check_arguments
        from heightnet.report.facts import written_chunks
        from heightnet.report.tables import csv_tables
        from heightnet.report.writing import spare_jobs, write_bytes, write_text

        for kind in figures:
            check_arguments(figures=kind)
        folder = Path(folder)
        texts = csv_tables(self.shown)
        printed: dict[str, bytes] = {}
        spare_jobs(folder, set(texts))
        if page:
            from heightnet.report.figures import figure_files

            texts["report.html"] = self.page()
            texts |= figure_files(self.shown)
        for kind in figures:
            from heightnet.report.figures import printed_files

            printed |= printed_files(self.shown, kind)
        written = [write_text(folder / "results.json", written_chunks(self.shown))]
        written += [write_text(folder / name, [text]) for name, text in texts.items()]
        return written + [write_bytes(folder / name, data) for name, data in printed.items()]

    def __repr__(self) -> str:
        return f"<heightnet Result: {self.summary().splitlines()[1].strip()}>"

    def _repr_html_(self) -> str:
        from heightnet.report.page import snippet

        return snippet(self.shown)


def _frame(records: Sequence[Record], names: list[str]) -> pd.DataFrame:
    """The records as a table that has its columns even when it has no rows."""
    import pandas as pd

    if isinstance(records, Rows):
        return pd.DataFrame({name: records.columns[name][:] for name in records.columns})
    return pd.DataFrame.from_records(records, columns=None if records else names)
