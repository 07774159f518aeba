"""What a height is proved against."""

import numpy as np
import pandas as pd
import pytest

from heightnet.job.model import Job
from heightnet.judge.bench import Bench
from heightnet.judge.family import build_family
from heightnet.judge.judgement import Judgement
from heightnet.judge.large import LargeBench
from heightnet.judge.promises import promises, shown_from
from heightnet.judge.proof import KINDS, proof_of
from heightnet.network import build_network
from tests.noise import NOISES, errors
from tests.shapes import shape
from tests.simulate.jobs import simulate

HEIGHT, MARK_M = 1.55, 100.0


def readings(*of):
    """A set-up over K that sights K2, its height read as these (point, by); K and K2 are known."""
    tape = pd.DataFrame(
        [{"stand_kind": "setup", "stand": "S", "point": p, "by": by, "reading": HEIGHT, "scale": "m",
          "kind": "vertical", "tape": "", "when": "", "sd": 0.0015, "row": i + 2} for i, (p, by) in enumerate(of)]
    )  # fmt: skip
    return Job.from_frames(
        marks=pd.DataFrame({"mark": ["K", "K2"], "height": [MARK_M, MARK_M + 2.0], "sd": [0.001, 0.001],
                            "east": [0.0, 80.0], "north": [0.0, 0.0]}),
        setups=pd.DataFrame({"setup": ["S"], "mark": ["K"], "height": [np.nan]}),
        tape=tape,
    )  # fmt: skip


def sizes(job):
    """(kinds,) mm of the one height."""
    net = build_network(job)
    bench = Bench(net, family=build_family(net))
    proof = proof_of(bench, promises(bench).found)
    assert len(proof.stands) == 1
    return dict(zip(KINDS, proof.size[0] * 1000, strict=True))


def test_one_reading_that_nothing_else_checks_is_proved_against_nothing():
    found = sizes(readings(("axis", "A")))
    assert np.isinf(found["misreading"]) and np.isinf(found["wrong_point"])


def test_the_other_scale_at_the_same_point_proves_a_misreading_only():
    """By hand: two readings of 1.5 mm differ by sqrt(2) 1.5 mm; half of an error in one is in their mean."""
    job = readings(("axis", "A"), ("axis", "A"))
    found = sizes(job)
    bench = Bench(build_network(job))
    at_most = (bench.closing.k + 0.8416) * np.sqrt(2) * 1.5 / 2
    assert 0.7 * at_most <= found["misreading"] <= at_most * 1.001
    assert np.isinf(found["wrong_point"])


@pytest.mark.parametrize("other", [("side mark", "A"), ("axis", "B")])
def test_another_point_or_another_person_proves_the_point_as_well(other):
    found = sizes(readings(("axis", "A"), other))
    assert found["wrong_point"] == pytest.approx(found["misreading"]) and found["wrong_point"] < 6


def test_somebody_unnamed_may_be_the_same_person():
    assert np.isinf(sizes(readings(("axis", "A"), ("axis", "")))["wrong_point"])


def test_both_readings_to_a_point_are_wrong_together():
    """Two to the axis against one to the side mark: the pair shows less than each of them."""
    found = sizes(readings(("axis", "A"), ("axis", "A"), ("side mark", "A")))
    assert found["misreading"] < found["wrong_point"] < np.inf


@pytest.mark.parametrize("bench_of", [Bench, LargeBench])
@pytest.mark.parametrize("kind", ["S1", "S3"])
def test_a_height_read_once_is_proved_as_a_whole(bench_of, kind):
    bench = bench_of(build_network(simulate(kind, 3)[0]))
    found = promises(bench).found
    proof = proof_of(bench, found)
    count = np.bincount(bench.net.head[bench.net.rows("height")], minlength=len(bench.net.nodes))
    once = count[bench.family.node[proof.stands]] == 1
    assert once.any() and np.allclose(proof.of_verdict[once], found[proof.stands][once])
    assert (proof.of_verdict <= found[proof.stands] * (1 + 1e-9)).all()


@pytest.mark.slow
def test_a_movement_of_the_size_said_is_spoken_of_as_often_as_said():
    """Planted at the size for a power of .8, in 300 draws: a binomial's 3 standard deviations are .07; the size is that
    of the largest test alone, so that it may be said a little more often."""
    made = shape("day", 3)
    net = build_network(made.job)
    bench = Bench(net)
    moves = np.flatnonzero(bench.family.of("moved") & bench.classes.tested)[::9]
    size = shown_from(bench, moves)
    rng, said = np.random.default_rng(1), 0
    y = net.y.copy()
    for i in range(300):
        h, by = int(moves[i % len(moves)]), float(size[i % len(moves)])
        column = bench.family.C[:, [h]].toarray()[:, 0]
        said += Judgement(bench, y + errors(net, NOISES["stated"], rng) + column * by).said
    assert 0.73 <= said / 300 <= 0.93
