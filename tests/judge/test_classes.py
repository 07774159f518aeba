"""What cannot be known is a property of the graph: bridges and series classes against the numbers; facts."""

import networkx as nx
import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.adjust.graph import bridges, series_classes
from heightnet.judge.bench import Bench
from heightnet.ledger.settings import Settings
from heightnet.network import build_network
from tests.networks import Field, reciprocal
from tests.simulate.jobs import KINDS, simulate

STILL = Settings().with_values(**{"air.refraction_sd": 0.0})


def single_tests(bench):
    """Hypothesis of each observation that ties two places, where it has one of its own."""
    single = np.flatnonzero(bench.family.observation >= 0)
    single = single[
        np.isin(bench.family.kind[single], ("setup", "target", "tripod", "shot", "known", "level", "staff"))
    ]
    return single, bench.family.observation[single]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(3))
def test_bridges_and_classes_agree_with_the_numbers(kind, seed):
    """Redundancy 0 <=> bridge; correlation +-1 <=> a cut of two: networkx, our graph routines and the numbers."""
    job, _ = simulate(kind, seed)
    from dataclasses import replace

    rng = np.random.default_rng(seed)
    drop = rng.uniform(size=len(job.shots)) < 0.6  # thin it out until parts of it hang by one thread
    job = replace(job, settings=job.settings.with_values(**{"air.refraction_sd": 0.0})).with_tables(
        shots=job.shots[~drop].reset_index(drop=True),
        levels=job.levels[::3].reset_index(drop=True),
    )
    net = build_network(job)
    bench = Bench(net)
    h, edge = single_tests(bench)
    i, j = net.tail[: net.edge_count], net.head[: net.edge_count]
    by_graph = bridges(i, j, len(net.nodes))
    graph = nx.MultiGraph()
    graph.add_edges_from((int(a), int(b), e) for e, (a, b) in enumerate(zip(i, j, strict=True)))
    simple = nx.Graph(graph)
    known = {frozenset(e) for e in nx.bridges(simple) if graph.number_of_edges(*e) == 1}
    of_networkx = np.array([frozenset((int(a), int(b))) in known for a, b in zip(i, j, strict=True)])
    assert (by_graph == of_networkx).all()
    assert by_graph.any()
    assert ((bench.classes.label[h] < 0) == by_graph[edge]).all()
    series = series_classes(i, j, len(net.nodes))
    tested = bench.classes.label[h] >= 0
    label, own = bench.classes.label[h][tested], series[edge][tested]
    assert ((label[:, None] == label[None, :]) == (own[:, None] == own[None, :])).all()


def forced_centring(stands=5, ties=()):
    """Stands that instrument and prism share, one tape height each, sights both ways between neighbours."""
    heights = {f"M{i}": 10.0 + 0.3 * i for i in range(stands)}
    party = Field(heights, seed=3, settings=STILL)
    party.known("M0")
    party.known(f"M{stands - 1}")
    for i in range(stands):
        # one taping, booked for both
        party.setup(f"S{i}", f"M{i}", 1.5, tripod=f"K{i}", instrument="one")
        party.target(f"P{i}", f"M{i}", 1.5, tripod=f"K{i}", equipment="prism")
        party.targets[-1]["height"] = party.setups[-1]["height"]
    for i in range(stands):
        for j in (i - 1, i + 1):
            if 0 <= j < stands:
                party.shot(f"S{i}", f"P{j}", 90.0)
    for a, b in ties:
        party.level(a, b)
    return party


def test_forced_centring_without_a_tie_is_unprovable():
    result = heightnet.check(forced_centring().job())
    verdict = {s["setup"]: (s["verdict"], s["independent_checks"]) for s in result.facts["setups"]}
    assert [verdict[f"S{i}"] for i in (1, 2, 3)] == [("unproved", 0)] * 3
    # the ends are tested, but only against one another: one class
    ends = next(s for s in result.facts["setups"] if s["setup"] == "S0")
    assert ends["independent_checks"] == 1
    assert "tripod:K4" in ends["same_as"]
    assert ends["smallest_named_mm"] is None


def test_a_levelled_tie_proves_a_shared_stand():
    result = heightnet.check(forced_centring(ties=[("M1", "M2"), ("M2", "M3"), ("M1", "M3")]).job())
    assert {s["verdict"] for s in result.facts["setups"]} <= {"proved", "weak", "doubted"}


def one_group(bench, kind, name):
    return list(bench.family.ids).index(f"group:{kind}:{name}")


def correlation(bench, a, b):
    return bench.G[a, b] / np.sqrt(bench.G[a, a] * bench.G[b, b])


def test_all_instrument_heights_against_all_target_heights():
    """Every HI too high looks just like every HT too low: correlation -1."""
    party = reciprocal(settings=STILL)
    job = party.job()
    targets = job.targets.assign(equipment="prism")

    bench = Bench(build_network(job.with_tables(targets=targets)))
    hi, ht = one_group(bench, "instrument", "one"), one_group(bench, "equipment", "prism")
    assert correlation(bench, hi, ht) == pytest.approx(-1.0, abs=1e-9)
    assert bench.classes.label[hi] == bench.classes.label[ht]
    assert bench.classes.sign[hi] == -bench.classes.sign[ht]


def test_a_tape_zero_common_to_everything_is_unprovable_and_harmless():
    result = heightnet.check(reciprocal().job())
    tape = next(g for g in result.facts["groups"] if g["kind"] == "tape")
    assert tape["verdict"] == "unproved"
    common = next(c for c in result.facts["common_errors"] if c["kind"] == "tape")
    assert common["harmless"]
    assert common["moves"] == []


def test_metric_and_feet_without_another_tie():
    """A reading error shows, but not which; an unreduced slant, a hook or a wrong point never."""
    party = Field({"A": 10.0, "B": 11.0}, noise=0.0, settings=STILL)
    party.known("A")
    party.setup("S", "A", 1.5, taped=False)
    party.target("T", "B", 1.6)
    party.shot("S", "T", 50.0)
    for text, reading in (("1.500", 1.500), ("4.92", 1.4996)):
        party.tape.append({"stand_kind": "setup", "stand": "S", "text": text, "reading": reading, "scale": "m",
                           "kind": "vertical", "sd": 0.001})  # fmt: skip
    bench = Bench(build_network(party.job()))
    at = {str(i): h for h, i in enumerate(bench.family.ids)}
    first, second = at["reading:tape.csv:2"], at["reading:tape.csv:3"]
    assert bench.classes.label[first] == bench.classes.label[second] >= 0
    assert bench.classes.label[at["setup:S"]] == -1


def test_a_single_use_target_and_its_one_shot_are_one_class():
    bench = Bench(build_network(reciprocal(settings=STILL).job()))
    at = {str(i): h for h, i in enumerate(bench.family.ids)}
    shot = at["shot:shots.csv:2"]  # the first: S0 to P01
    assert bench.classes.label[at["target:P01"]] == bench.classes.label[shot] >= 0
    assert bench.classes.sign[at["target:P01"]] * bench.classes.sign[shot] == -1


def test_one_way_traverse_with_a_single_closure_is_one_class():
    party = Field({f"M{i}": 20.0 + i for i in range(5)}, seed=8, settings=STILL)
    party.known("M0")
    party.known("M4")
    for i in range(4):
        party.setup(f"S{i}", f"M{i}", 1.5)
        party.target(f"P{i}", f"M{i + 1}", 1.6)
        party.shot(f"S{i}", f"P{i}", 100.0)
    bench = Bench(build_network(party.job()), groups=False)
    free = np.isnan(bench.family.size)
    assert set(bench.classes.label[free].tolist()) == {0}
    # one class: near the normal point 2.576, not Sidak for all; the odds take a part of the level
    assert 2.4 < bench.closing.k < 2.75


def test_equal_legs_hi_index_and_refraction_are_one_class():
    """A one-way line of equal face-left sights cannot tell its instrument heights, index error and refraction apart."""
    settings = Settings().with_values(**{"air.refraction_sd": 0.05, "precision.index_sec": 5.0})
    party = Field({f"M{i}": 20.0 for i in range(5)}, seed=8, settings=settings)
    for mark in party.heights:
        party.known(mark)
    for i in range(4):
        party.setup(f"S{i}", f"M{i}", 1.5, instrument="one")
        party.target(f"P{i}", f"M{i + 1}", 1.5, equipment="prism")
        party.shot(f"S{i}", f"P{i}", 150.0, face="L")
    bench = Bench(build_network(party.job()))
    hi = one_group(bench, "instrument", "one")
    index, air = one_group(bench, "index", "one"), one_group(bench, "refraction", "the whole job")
    assert abs(correlation(bench, hi, index)) > 1 - 1e-6
    assert abs(correlation(bench, hi, air)) > 1 - 1e-6


def test_a_mark_that_only_shots_name_is_a_mark():
    levels = pd.DataFrame({"from_mark": ["A"], "to_mark": ["B"], "rise": [1.0], "sd": [0.001]})
    from heightnet import Job

    result = heightnet.check(Job.from_frames(levels=levels))
    assert {m["mark"] for m in result.facts["marks"]} == {"A", "B"}
