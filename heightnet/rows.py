"""Tables of facts: they read as lists of records, and are held as columns, so that a million rows stay affordable."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import islice, pairwise
from typing import Any, overload

Record = dict[str, Any]
Column = Any
"""A list, a numpy array, or `Nested`; all of a table's are equally long."""

AT_ONCE = 4096


class Rows(Sequence[Record]):
    """Records of one shape, held as columns.

    NaN and infinite numbers of a column read as None, numpy's types as Python's.

    >>> table = Rows({"mark": ["A", "B"], "height_m": [12.5, None]})
    >>> len(table), table[1], [r["mark"] for r in table]
    (2, {'mark': 'B', 'height_m': None}, ['A', 'B'])
    """

    def __init__(self, columns: Mapping[str, Column]) -> None:
        self.columns: dict[str, Column] = dict(columns)
        lengths = {len(values) for values in self.columns.values()}
        if len(lengths) != 1:
            raise ValueError(f"columns of different lengths: { ({k: len(v) for k, v in self.columns.items()}) }")
        self._length = lengths.pop()

    def __len__(self) -> int:
        return self._length

    @overload
    def __getitem__(self, at: int) -> Record: ...
    @overload
    def __getitem__(self, at: slice) -> list[Record]: ...
    def __getitem__(self, at: int | slice) -> Record | list[Record]:
        if isinstance(at, slice):
            start, stop, step = at.indices(self._length)
            return self.records(start, stop) if step == 1 else [self[i] for i in range(start, stop, step)]
        i = at + self._length if at < 0 else at
        if not 0 <= i < self._length:
            raise IndexError(f"row {at} of {self._length}")
        return self.records(i, i + 1)[0]

    def __iter__(self) -> Iterator[Record]:
        for start in range(0, self._length, AT_ONCE):
            yield from self.records(start, start + AT_ONCE)

    def __eq__(self, other: object) -> bool:
        return list(self) == list(other) if isinstance(other, Sequence) else NotImplemented

    def __repr__(self) -> str:
        return f"<{self._length} rows of {', '.join(self.columns)}>"

    def records(self, start: int, stop: int) -> list[Record]:
        """Rows from start up to stop as plain records."""
        keys = list(self.columns)
        lists = [plain(values[start:stop]) for values in self.columns.values()]
        return [dict(zip(keys, row, strict=True)) for row in zip(*lists, strict=True)]

    def column(self, name: str) -> list[Any]:
        return plain(self.columns[name][:])

    def is_float(self, name: str) -> bool:
        return getattr(getattr(self.columns[name], "dtype", None), "kind", "") == "f"

    def mapped(self, order: Sequence[str], change: Callable[[str, Column], Column]) -> Rows:
        """The same rows with columns changed, in another order; columns it does not name come last."""
        names = [name for name in order if name in self.columns]
        names += [name for name in self.columns if name not in set(order)]
        return Rows({name: change(name, self.columns[name]) for name in names})


class Nested(Sequence[list[Record]]):
    """A column whose every entry is a list of records: rows of another table, one run after the other.

    Parameters
    ----------
    rows : all of them.
    starts : (n + 1,) where each entry begins; the last is where the last one ends.
    """

    def __init__(self, rows: Rows, starts: Sequence[int]) -> None:
        self.rows, self.starts = rows, starts

    def __len__(self) -> int:
        return len(self.starts) - 1

    @overload
    def __getitem__(self, at: int) -> list[Record]: ...
    @overload
    def __getitem__(self, at: slice) -> list[list[Record]]: ...
    def __getitem__(self, at: int | slice) -> list[Record] | list[list[Record]]:
        if isinstance(at, slice):
            first, last, _ = at.indices(len(self))
            starts = [int(s) for s in self.starts[first : last + 1]]
            records = iter(self.rows.records(starts[0], starts[-1])) if last > first else iter(())
            return [list(islice(records, b - a)) for a, b in pairwise(starts)]
        return self[at : at + 1][0]


def plain(values: Column) -> list[Any]:
    """A column as a list of Python's own types, None where a number does not exist."""
    kind = getattr(getattr(values, "dtype", None), "kind", "")
    if not kind:
        return values if isinstance(values, list) else list(values)
    if kind == "f":
        import numpy as np

        missing = ~np.isfinite(values)
        if missing.any():
            values = values.astype(object)
            values[missing] = None
    out: list[Any] = values.tolist()
    return out


def column(records: Sequence[Record], name: str) -> list[Any]:
    """One value of every record, of `Rows` without making the records."""
    return records.column(name) if isinstance(records, Rows) else [record[name] for record in records]
