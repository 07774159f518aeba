"""What is promised of errors of a size comes true when it is simulated afresh."""

from dataclasses import replace

import numpy as np
import pytest

from heightnet.judge.bench import Bench
from heightnet.judge.closing import log_odds_of
from heightnet.judge.family import build_family
from heightnet.judge.judgement import Judgement
from heightnet.judge.large import LargeBench
from heightnet.judge.promises import found_delta, named_delta, promises
from heightnet.network import build_network
from tests.shapes import shape
from tests.simulate.jobs import simulate

SINGLE = ("setup", "target", "tripod", "shot", "known", "level", "staff")


@pytest.fixture(scope="module", params=["small4x", "centred-tied", "pillars", "book14-again"])
def bench(request):
    return Bench(build_network(shape(request.param, 4).job))


def spoken_of(bench):
    """Share of errors of the promised size of which something is said: 1,500 draws over all kinds of observations."""
    found, rng, net = promises(bench).found, np.random.default_rng(7), bench.net
    hs = np.flatnonzero(bench.family.of(*SINGLE) & bench.classes.tested)
    assert np.isfinite(found[hs]).all()
    reps, said = bench.classes.representative, 0
    for _ in range(1500):
        h = int(rng.choice(hs))
        y = net.sd * rng.standard_normal(len(net.sd))
        y += found[h] * rng.choice((-1, 1)) * bench.family.C[:, [h]].toarray().ravel()
        u, over, evidence = bench.reduction.see(y)
        w = np.abs(u[reps] / np.sqrt(bench.diagonal[reps]))[bench.free].max()
        said += bench.closing.said(w, log_odds_of(over, bench.diagonals, evidence, bench.candidates))
    return said / 1500


@pytest.mark.slow
def test_an_error_of_the_promised_size_is_spoken_of(bench):
    """.8 within three standard errors (.031) and the promise's own .02."""
    assert bench.net.job.settings.test.power == 0.8
    assert spoken_of(bench) == pytest.approx(0.8, abs=0.05)


@pytest.mark.parametrize("power", [0.5, 0.95])
def test_the_power_of_the_settings_is_that_of_the_promise(power):
    job = shape("small4x", 4).job
    job = replace(job, settings=job.settings.with_values(**{"test.power": power}))
    assert spoken_of(Bench(build_network(job))) == pytest.approx(power, abs=0.05)


@pytest.mark.slow
def test_an_error_of_the_size_of_naming_is_named_alone():
    """300 draws: .95 within three standard errors (.038) and .02."""
    bench = Bench(build_network(shape("centred-tied", 4).job))
    named, rng, net = promises(bench).named, np.random.default_rng(8), bench.net
    hs = np.flatnonzero(np.isfinite(named))
    assert len(hs) >= 2
    alone = 0
    for _ in range(300):
        h = int(rng.choice(hs))
        y = net.sd * rng.standard_normal(len(net.sd))
        y += named[h] * rng.choice((-1, 1)) * bench.family.C[:, [h]].toarray().ravel()
        alone += any(f.named and h in f.place.hypotheses for f in Judgement(bench, y).findings)
    assert alone / 300 == pytest.approx(0.95, abs=0.05)


def test_what_shares_its_class_is_never_named_alone(bench):
    named = promises(bench).named
    places, classes = bench.places, bench.classes
    for h in np.flatnonzero(bench.family.of("setup", "target") & classes.tested):
        keys = {places.key_of(m) for m in classes.members(int(classes.label[h])).tolist()}
        assert np.isinf(named[h]) or len(keys) == 1


def test_sizes_of_a_large_job_are_near_those_of_the_same_job_judged_whole():
    """Of what is found an upper bound, at most a tenth above; of what is named within a tenth."""
    net = build_network(simulate("S3", 2)[0])
    small, large = Bench(net, family=build_family(net, events=False)), LargeBench(net)
    ours, theirs = promises(small), promises(large)
    at = {str(i): h for h, i in enumerate(small.family.ids)}
    pairs = np.array([(h, at[str(i)]) for h, i in enumerate(large.family.ids) if str(i) in at])
    found = theirs.found[pairs[:, 0]] / ours.found[pairs[:, 1]]
    free = np.isfinite(ours.found[pairs[:, 1]]) & np.isfinite(found)
    assert free.sum() > 50 and found[free].min() > 0.97 and found[free].max() < 1.12
    both = np.isfinite(ours.named[pairs[:, 1]]) & np.isfinite(theirs.named[pairs[:, 0]])
    named = theirs.named[pairs[both, 0]] / ours.named[pairs[both, 1]]
    assert both.sum() > 20 and named.min() > 0.85 and named.max() < 1.15


def test_powers():
    """Without chance across the line the size is the normal quantile's: k + .8416 at .8, s + 1.645 at .95."""
    assert found_delta(np.array([4.0]), 0.8) == pytest.approx(4.0 + 0.8416, abs=1e-4)
    assert named_delta(np.array([6.0])) == pytest.approx(6.0 + 1.6449, abs=1e-4)
    assert named_delta(np.array([6.0, np.inf])) == np.inf
