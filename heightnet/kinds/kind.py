"""A kind of observation or blunder: everything that belongs to it alone, declared in one file and registered.

A kind stands below the network and the judgement and imports nothing of theirs: they hand its functions what it takes.
`heightnet.report` asks it for words, and shows a result without pandas: that is imported where it is needed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from heightnet.arrays import Floats, Ints
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.records import Records
from heightnet.ledger.record import Fact
from heightnet.ledger.recorded import Table
from heightnet.ledger.results import RISE_ERROR
from heightnet.ledger.thing import NOT_NAMED, Thing

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.judge.places import Places
    from heightnet.kinds.sequence import Sequence
    from heightnet.network.build import Ties
    from heightnet.network.model import Network

Columns = dict[str, Any]
Group = tuple[str, str, Ints, Floats, float]

DATUM = 0  # the node that known heights hang from
OUTSIDE, TAPE, SIGHT = "outside", "tape", "sight"


class Words(NamedTuple):
    """What hypotheses of one name are called; `heightnet.report` puts it into sentences.

    noun : of one; several : of more, "" for the noun with an s.
    row : what follows the noun to tell one from the others, with keys of its record in results.json.
    cell : a short word for the noun before the number of a row, where there is no room.
    """

    noun: str = ""
    several: str = ""
    row: str = ""
    cell: str = ""

    @property
    def many(self) -> str:
        return self.several or f"{self.noun}s"


class Shared(NamedTuple):
    """An error that many have in common.

    called : what it is, with the ``{name}`` of what they share.
    shown_by : the measurement that would show it.
    unnamed : what it is where nobody gave a name; more : what a reader is told of it besides.
    rate : the setting of ``rates`` that says how often it happens.
    """

    called: str
    shown_by: str
    unnamed: str = "everything that has no name"
    more: str = ""
    rate: str = "group"


class Edges(NamedTuple):
    """Observations that each tie two nodes, arrays of one length.

    tail, head : an edge observes the height of its head less that of its tail.
    rise, sd : the observed difference and its standard deviation, m.
    source : position in the table it comes from.
    """

    tail: Ints
    head: Ints
    rise: Floats
    sd: Floats
    source: Ints


@dataclass(frozen=True)
class Kind:
    """What belongs to one kind, and to nothing else.

    name : of its observations, and of the hypothesis that one of them is wrong.
    blunders : names of the hypotheses that it makes about one thing each.
    pair : name of those about two of its values in each other's place, which say themselves why they are wrong.
    table : of the job that its observations stand in; "" for others.
    recorded : that table, where it is the kind's own and the ledger does not have it yet.
    marks : columns of the table that name marks.
    edges : its observations.
    scatter : what their standard deviations share a factor with, `TAPE` or `SIGHT`; `OUTSIDE` for knowledge that the
        field did not bring, which has none and stands first among the observations.
    length : (observations,) horizontal length of each, m, 0 where there is none; for the tolerances of loops.
    rate : the setting of ``rates`` that says how often one of its observations is wrong.
    alone : puts the hypotheses about single things into a family, where they are not one of that rate for each row of
        its table.
    exchanged : those about two in each other's place; where a set of nodes is given only those that touch one of them.
    common : what many have wrong together, as kind, name, observations, pattern, and the size in units of the pattern
        where the records fix it.
    events : puts what several have wrong together for a while, or at one place, into a family.
    sequences : what was used one time after the other, so that a common error may have begun or ended on the way.
    at_marks : ends of its observations ("tail", "head") to whose mark they belong.
    shared : what each of these common errors is, by their kind.
    lies : places that hold one of its hypotheses, as kind and subject (`heightnet.judge.places.Place`), where they are
        not the mark it is about, these marks and sections.
    record : keys of results.json for the ledger, of a kind that it does not have yet, besides where its observations
        stand and what their test gives.
    told : those of them that the job's table does not say itself, in a column of that name, without "_m".
    value : the key of them with what was written down.
    error : what the error of its test is.
    line : keys of the record with the marks between which a picture draws a line, and with its length, "" where none is
        recorded; () for no line.
    words : what its hypotheses are called, by their names.
    causes, evidence : why its values are wrong, and what the job recorded about one.
    nominal : what the priors of its causes are set against; 0 for their own sum.
    sizes : how often its errors are of the usual sizes, 6, 30, 150 and 1000 mm.
    """

    name: str
    blunders: tuple[str, ...]
    causes: tuple[Cause, ...]
    evidence: Callable[[Records, Thing], Evidence]
    table: str = ""
    recorded: Table | None = None
    marks: tuple[str, ...] = ()
    edges: Callable[[Ties], Edges] | None = None
    scatter: str = SIGHT
    rate: str = ""
    alone: Callable[[Builder, Network], None] | None = None
    length: Callable[[Network], Floats] | None = None
    exchanged: Callable[[Builder, Network, set[int] | None], None] | None = None
    common: Callable[[Network], Iterator[Group]] | None = None
    events: Callable[[Builder, Network], None] | None = None
    sequences: Callable[[Network], Iterator[Sequence]] | None = None
    lies: Callable[[Places, int], Iterator[tuple[str, int]]] | None = None
    at_marks: tuple[str, ...] = ()
    pair: str = ""
    told: Callable[[Network], Columns] | None = None
    value: str = "rise_m"
    record: tuple[Fact, ...] = ()
    error: str = RISE_ERROR
    line: tuple[str, ...] = ()
    words: Mapping[str, Words] = field(default_factory=dict)
    shared: Mapping[str, Shared] = field(default_factory=dict)
    nominal: float = 0.0
    sizes: tuple[float, ...] = (0.25, 0.25, 0.25, 0.25)


def by_name(names: npt.NDArray[np.object_], where: npt.NDArray[np.bool_]) -> Iterator[tuple[str, Ints]]:
    """Positions of each name among those that count, in order of first appearance."""
    import pandas as pd

    at = np.flatnonzero(where)
    if not len(at):
        return
    code, unique = pd.factorize(names[at])
    order = np.argsort(code, kind="stable")
    for name, part in zip(unique, np.split(at[order], np.cumsum(np.bincount(code))[:-1]), strict=True):
        yield str(name) or NOT_NAMED, part


def or_none(names: Iterable[str]) -> list[str | None]:
    """Names, None where there is none."""
    return [str(name) or None for name in names]
