"""Why an adjustment has no answer, or is not to be trusted."""

from __future__ import annotations

from collections.abc import Iterable

from heightnet.errors import CannotAdjust, HeightnetError


class NotDetermined(CannotAdjust):
    """The observations do not determine some of the unknowns.

    ``columns`` are the columns of the design matrix concerned, in rising order: a column no row touches, a
    piece of the network without a datum, or columns that only occur in fixed proportion.
    """

    def __init__(self, columns: Iterable[int]):
        self.columns = tuple(sorted(int(column) for column in columns))
        shown = ", ".join(map(str, self.columns[:10])) + (", ..." if len(self.columns) > 10 else "")
        count = "1 unknown" if len(self.columns) == 1 else f"{len(self.columns)} unknowns"
        super().__init__(f"The observations do not determine {count} (columns {shown}).")


class SelfCheckFailed(HeightnetError):
    """The numbers of an adjustment contradict one another: a fault of the program, never of the job."""


class Vanished(Exception):
    """A pivot has vanished, so that a matrix is singular to working precision; never leaves this package."""
