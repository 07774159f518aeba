"""The way of a plan: a good walk, its minutes in the budget, and what is said where no mark has a place."""

from __future__ import annotations

from itertools import pairwise, permutations
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from heightnet.commands.group import cli
from heightnet.errors import WrongSettings
from heightnet.job.read import read_job
from heightnet.report.claims import plain as bare
from heightnet.report.plan_words import plan_document
from heightnet.report.text import plain
from heightnet.tasks.plan import plan
from heightnet.tasks.route import Ground, Work, shortest, walk
from tests.benchmarks.plan import traverse

DATA = Path(__file__).resolve().parents[2] / "data"


def adit(**options):
    return plan(read_job(DATA / "tunnel-forced-centring"), **options)


def length(order, apart, first):
    return first[order[0]] + sum(apart[i, j] for i, j in pairwise(order))


def scattered(seed, n):
    """Places in a square of a kilometre; of every second seed the walk begins at a corner."""
    at = np.random.default_rng(seed).uniform(0, 1000, (n, 2))
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    return apart, np.hypot(*at.T) if seed % 2 else np.zeros(n)


def least(apart, first):
    """Length of the shortest walk, by all sets of places already seen (dynamic programming over subsets)."""
    n = len(first)
    best = {(1 << i, i): float(first[i]) for i in range(n)}
    for _ in range(n - 1):
        longer = {}
        for (seen, at), way in best.items():
            for to in range(n):
                if not seen >> to & 1:
                    key = (seen | 1 << to, to)
                    longer[key] = min(longer.get(key, np.inf), way + float(apart[at, to]))
        best = longer
    return min(best.values())


@pytest.mark.parametrize("seed", range(12))
def test_few_stops_are_walked_by_the_shortest_way_of_all(seed):
    n = 1 + seed % 8
    apart, first = scattered(seed, n)
    found = shortest(apart, first)
    assert sorted(found) == list(range(n))
    assert length(found, apart, first) == pytest.approx(min(length(p, apart, first) for p in permutations(range(n))))


def test_more_stops_are_walked_by_a_good_way():
    """Measured against the shortest: 1.00 in each of these; no more is asked than a tenth, for a net of annealing."""
    for seed, n in ((1, 9), (2, 10), (3, 11), (4, 12), (5, 12)):
        apart, first = scattered(seed, n)
        found = shortest(apart, first)
        assert sorted(found) == list(range(n)) and found == shortest(apart, first)
        assert length(found, apart, first) <= 1.1 * least(apart, first)


def test_what_comes_first_is_walked_first_and_a_tie_begins_where_one_is():
    ground = Ground({"A": (0, 0), "B": (100, 0), "C": (200, 0), "D": (300, 0)})
    stops, at = walk(ground, [Work(("B",)), Work(("D",), first=True), Work(("C", "B")), Work(()), Work(("A",))])
    assert stops == ["D", "B", "A"] and at == ["B", "D", "B", "", "A"]
    assert ground.minutes(stops) == pytest.approx(0.3 * 15)
    # of a tie alone the end that is nearer to the other stop
    assert walk(ground, [Work(("A",)), Work(("D", "C"))])[0] == ["A", "C"]


def test_the_steps_are_walked_along_the_adit():
    """T1 to T5 in a row: by hand from the coordinates of the demo, 344.9 m at 15 minutes a kilometre."""
    facts = adit()
    assert [stop["mark"] for stop in facts["route"]] == ["T1", "T2", "T3", "T4", "T5"]
    assert [step["at"] for step in facts["steps"]] == ["T1", "T2", "T3", "T4", "T5"]
    metres = [stop["metres"] for stop in facts["route"]]
    job = read_job(DATA / "tunnel-forced-centring").marks.set_index("mark")
    east, north = (job.loc[["T1", "T2", "T3", "T4", "T5"], c].to_numpy(dtype=float) for c in ("east", "north"))
    assert metres[0] is None and metres[1:] == pytest.approx(np.hypot(np.diff(east), np.diff(north)).tolist())
    assert facts["walking_min"] == pytest.approx(sum(metres[1:]) / 1000 * 15)
    assert facts["measuring_min"] == 10 and facts["total_min"] == pytest.approx(10 + facts["walking_min"])
    assert facts["steps"][-1]["minutes_so_far"] == facts["total_min"]
    told = plain(plan_document(facts))
    assert "15.2 minutes, 5.2 of them walking" in told and "walk, min" in told
    turned = adit(start="T5")["route"]
    assert [stop["mark"] for stop in turned] == ["T5", "T4", "T3", "T2", "T1"] and turned[0]["metres"] == 0
    assert adit(walking=30)["walking_min"] == pytest.approx(2 * facts["walking_min"])
    assert adit(walking=0)["total_min"] == 10


@pytest.mark.parametrize("budget", [0.5, 3.0, 6.0, 9.0, 12.0])
def test_the_way_is_counted_against_the_minutes_there_are(budget):
    facts = adit(budget=budget, start="TK1")
    assert facts["total_min"] <= budget and facts["measuring_min"] + (facts["walking_min"] or 0) <= budget + 1e-9
    if budget == 0.5:  # one minute for the other scale, and 86 m to T1
        assert "The budget of 0.5 min is too small" in bare(plan_document(facts).headline)
        assert facts["least_min"] == pytest.approx(1 + 0.015 * 85.9, abs=0.01)
    # with as many minutes and no way to go, more is proved
    near = adit(budget=budget, walking=0)
    assert sum(h["proved_after"] for h in near["heights"]) >= sum(h["proved_after"] for h in facts["heights"])


def test_what_the_way_leaves_no_minutes_for_is_told():
    facts = adit(budget=10.0, start="TK1")
    assert facts["dropped"] and facts["total_min"] <= 10
    left = {one["stand"] for one in facts["dropped"]}
    assert left.isdisjoint(step["stand"] for step in facts["steps"])
    assert "Left out because the way there leaves no minutes for them" in plain(plan_document(facts))


def test_where_no_mark_has_a_place_no_walking_is_told_once():
    facts = plan(traverse(2).job(), gone=True, tolerance=0.006)
    assert len(facts["route"]) > 1 and facts["walking_min"] is None
    assert facts["total_min"] == facts["measuring_min"]
    told = plain(plan_document(facts))
    assert told.count("is not counted: the table marks has no east and north") == 1 and "walking:" not in told


def test_a_start_that_nobody_can_find_is_an_error():
    with pytest.raises(WrongSettings, match=r"start: read T55, expected a mark with east and north.*nearest is 'T5'"):
        adit(start="T55")
    with pytest.raises(WrongSettings, match="That mark has none"):
        plan(read_job(DATA / "mill-levels"), start="MB1")
    assert CliRunner().invoke(cli, ["plan", str(DATA / "mill-levels"), "--walking", "-1"]).exit_code == 2
