"""How causes of a wrong value are weighed against each other.

Under a cause, the value as recorded tells what the true value would have been, h*.  With b the error found by the rest
of the job, sd its standard deviation, D the unit the value was read to and f the density of true values, a cause scores

    prior * share * D * |dh*/dh| * f(h*) * N(b; h - h*, sd^2 + spread^2 + D^2 / 12)

that is, how often it happens, times how likely this recorded value is under it, times how well its size fits.  A cause
that says nothing of the size (a height carried over from the set-up before) scores prior * share * f(h - b) instead.
"None of these" takes any size between 3 mm and 1 m alike on a logarithmic scale.  Scores are normalised to
probabilities: Bayes' rule, with nothing tuned to any one job.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import exp, log, pi, sqrt
from typing import NamedTuple

from heightnet.kinds.cause import LEFT_IN, Cause, Evidence, listed
from heightnet.kinds.records import Records
from heightnet.kinds.registry import of_blunder
from heightnet.ledger.thing import Thing

NONE = "none"
APART_M = 6.0  # further apart no two heights are, be it in feet, of which one is left in for the other
NONE_PRIOR = 0.10
NONE_FROM_M, NONE_TO_M, NONE_LAST_M = 0.003, 1.0, 10.0
NONE_BEYOND = 0.02  # share of "none of these" given to 1 m to 10 m, so that nothing is ever impossible
FITS_WITHIN = 2.0  # sds: so near is the size of a slip that fits
FITS_ANYHOW = 0.3  # probability from which a slip that says nothing of the size fits
WIDE_SHARE, WIDE_FACTOR = 0.05, 3.0  # sds are sometimes too small: one case in twenty, three times


class CauseFit(NamedTuple):
    """How well one cause explains an error; lengths in metres.

    expected : the error the cause would make, recorded less true; None where it may make any.
    found : the error found.
    spread : where ``expected`` rests on a constant that nobody recorded, its usual sd; else 0.
    fits : it makes an error of the size found, to within two standard deviations.
    """

    cause: str
    text: str
    expected: float | None
    found: float
    probability: float
    spread: float = 0.0
    fits: bool = False

    def as_dict(self) -> dict[str, str | float | None]:
        """As in ``causes[]`` of results.json."""
        return {
            "cause": self.cause,
            "text": self.text,
            "expected_mm": None if self.expected is None else self.expected * 1000,
            "found_mm": self.found * 1000,
            "spread_mm": self.spread * 1000 if self.spread and self.expected is not None else None,
            "probability": self.probability,
        }


class Score(NamedTuple):
    """A cause's weight against others of the same recorded value, before normalising.

    ``expected`` as in CauseFit; ``spread`` its sd where a constant is only roughly known, m; ``fits`` None where the
    cause says nothing of the size.
    """

    cause: str
    text: str
    expected: float | None
    weight: float
    spread: float = 0.0
    fits: bool | None = False


def rank_causes(e: Evidence, keep: float = 1e-4) -> list[CauseFit]:
    """The usual causes of what the evidence is about, likeliest first; equal rivals are all kept.

    >>> from heightnet.reduce.reading import MeasuringPoint, Reading
    >>> point = (MeasuringPoint("side mark", 0.1, 0.0, True), MeasuringPoint("axis", 0.0, 0.243))
    >>> e = Evidence("setup", 1.301, -0.2417, 0.0016, (Reading("1.301", 1.301),), points=point)
    >>> best = rank_causes(e)[0]
    >>> best.text, round(best.expected, 3), best.probability > 0.95
    ('the tape held to the tripod head, not to the trunnion axis', -0.243, True)
    """
    return weigh(of_blunder(e.kind).causes, e, keep)


def evidence_about(records: Records, id: str) -> Evidence:
    """What is recorded about a hypothesis; the error found is still to be put in."""
    thing = Thing.of(id)
    return of_blunder(thing.kind).evidence(records, thing)


def score(causes: Iterable[Cause], e: Evidence, none_prior: float = NONE_PRIOR) -> list[Score]:
    """The weight of each possible cause, in the order of the list; "none of these" last."""
    best: dict[tuple[str, str], tuple[float, float, str, float | None, float, bool | None]] = {}
    variance = e.error_sd**2 + e.unit**2 / 12
    anywhere = e.density(e.recorded - e.error)
    for cause in listed(causes, e):
        for one in cause.alternatives(e):
            if one.sized:
                true, off, var = e.recorded - one.error, e.error - one.error, variance + one.spread**2
                expected, true = one.error or None, -true if one.mirrored else true
                suits: bool | None = off**2 <= FITS_WITHIN**2 * var and e.possible(true)
                weight = e.unit * one.slope * e.density(true) * _normal(off, var)
            elif cause.key in LEFT_IN and abs(e.error) > APART_M:
                continue
            else:
                expected, weight, suits = None, anywhere, None
            weight *= cause.prior * one.share
            if not weight > 0.0:  # NaN too: a slant shorter than its radius
                continue
            key = (cause.key, one.detail)
            total, most, text, size, spread, fits = best.get(key, (0.0, 0.0, "", None, 0.0, False))
            if weight > most:  # the likeliest variant speaks for all
                text = cause.text.format(detail=one.detail)
                most, size, spread, fits = weight, expected, one.spread, suits
            best[key] = (total + weight, most, text, size, spread, fits)
    none = none_prior * e.unit * anywhere * _any_size(e.error, e.error_sd)
    scores = [Score(key[0], text, size, total, sd, fits) for key, (total, _, text, size, sd, fits) in best.items()]
    return [*scores, Score(NONE, "none of the usual causes", None, none)]


def weigh(causes: Iterable[Cause], e: Evidence, keep: float = 1e-4) -> list[CauseFit]:
    """Probabilities of causes, likeliest first; those under ``keep`` are dropped, "none of these" never is.

    >>> from heightnet.kinds.slips import up_or_down
    >>> inch = Cause("inch", "one inch misread", 1.0, lambda e: up_or_down(0.0254))
    >>> dm = Cause("dm", "one decimetre misread", 1.0, lambda e: up_or_down(0.1))
    >>> fits = weigh([inch, dm], Evidence("level", 1.6, error=0.0247, error_sd=0.002))
    >>> fits[0].cause, round(fits[0].expected, 4), fits[0].probability > 0.99
    ('inch', 0.0254, True)
    """
    scores = score(causes, e)
    total = sum(one.weight for one in scores)
    if not total > 0.0:  # out of reach of every density: nothing known explains it
        return [CauseFit(NONE, scores[-1].text, None, e.error, 1.0)]
    fits = [
        CauseFit(
            one.cause,
            one.text,
            one.expected,
            e.error,
            one.weight / total,
            one.spread,
            one.weight / total >= FITS_ANYHOW if one.fits is None else one.fits,
        )
        for one in scores
        if one.cause == NONE or one.weight / total >= keep
    ]
    return sorted(fits, key=lambda fit: -fit.probability)  # stable: equal rivals stay in the order of the list


def _normal(x: float, variance: float) -> float:
    """Normal density at x, with a wider one mixed in."""
    z = x * x / variance
    wide = WIDE_FACTOR**2
    shape = (1 - WIDE_SHARE) * exp(-0.5 * z) + WIDE_SHARE / WIDE_FACTOR * exp(-0.5 * z / wide)
    return shape / sqrt(2 * pi * variance)


# nodes and weights of a five-point Gauss-Hermite rule for a standard normal variable
_NODES = ((0.0, 8 / 15), (1.3556261799742659, 0.2220759220056126), (2.8569700138728056, 0.011257411327720689))


def _any_size(error: float, error_sd: float) -> float:
    """Density of an estimate whose true size is of any order between 3 mm and 1 m, up or down."""
    total = 0.0
    for node, weight in _NODES:
        for side in (node, -node) if node else (0.0,):
            total += weight * _log_uniform(abs(error + side * error_sd))
    return total


def _log_uniform(size: float) -> float:
    if size < NONE_FROM_M or size > NONE_LAST_M:
        return 0.0
    if size < NONE_TO_M:
        return (1 - NONE_BEYOND) / (2 * size * log(NONE_TO_M / NONE_FROM_M))
    return NONE_BEYOND / (2 * size * log(NONE_LAST_M / NONE_TO_M))
