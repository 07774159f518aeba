"""Unknowns and observations as the model has them: stands, sessions, faces, pieces."""

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

import heightnet
from heightnet import Job, Settings
from heightnet.errors import CannotAdjust
from heightnet.kinds.registry import code_of
from heightnet.network import build_network
from heightnet.network.routes import Routes
from tests.networks import SEC, Field, reciprocal


def count(net, kind):
    rows = net.rows(kind)
    return rows.stop - rows.start


def test_kinds_stand_in_order_and_edges_come_first():
    net = build_network(reciprocal(levelled=[("K0", "M2")]).job())
    assert (np.diff(net.kind) >= 0).all()
    assert net.edge_count == count(net, "known") + count(net, "height") + count(net, "shot") + 1
    assert count(net, "refraction") == 1
    assert (net.tail[net.edge_count :] == -1).all()


def test_marks_held_exactly_are_no_unknowns():
    party = reciprocal()
    job = party.job(marks=pd.DataFrame(party.marks).assign(sd=0.0))
    net = build_network(job)
    assert count(net, "known") == 0
    assert sorted(net.nodes.name[net.held]) == ["K0", "K1"]
    assert (net.nodes.column[net.held] == -1).all()
    held = heightnet.check(job).marks.set_index("mark")
    assert held["sd_mm"]["K0"] == 0.0
    assert held["height_m"]["K0"] == party.marks[0]["height"]


def shared(axis_instrument=0.24, axis_prism=0.21, **booked):
    """Two stands, instrument and prism changing places; true seat heights 1.30 and 1.26."""
    party = Field({"A": 10.0, "B": 10.5}, noise=0.0)
    party.known("A", sd=0.0005)
    party.known("B", sd=0.0005)
    seat = {"A": 1.30, "B": 1.26}
    for i, mark in enumerate("AB"):
        party.setup(f"S{i}", mark, seat[mark] + axis_instrument, tripod=f"stand {mark}", instrument="theodolite",
                    taped=booked.get("setups", False))  # fmt: skip
        party.target(f"T{i}", mark, seat[mark] + axis_prism, tripod=f"stand {mark}", equipment="prism",
                     taped=booked.get("targets", False))  # fmt: skip
    party.shot("S0", "T1", 80.0)
    party.shot("S1", "T0", 80.0)
    party.equipment += [
        {"equipment": "theodolite", "point": "axis", "offset": axis_instrument, "carries": "instrument"},
        {"equipment": "prism", "point": "axis", "offset": axis_prism, "carries": "target"},
    ]
    return party


def test_a_shared_stand_is_one_height_with_the_axes_apart():
    party = shared()
    party.tape += [
        {"stand_kind": "tripod", "stand": f"stand {m}", "text": str(h), "reading": h, "scale": "m", "kind": "vertical"}
        for m, h in (("A", 1.30), ("B", 1.26))
    ]
    net = build_network(party.job())
    assert [str(k) for k in net.nodes.kind].count("tripod") == 2
    assert count(net, "height") == 2
    result = heightnet.check(party.job())
    assert result.shots["residual_mm"].abs().max() < 1e-6
    assert result.setups["recorded_m"].tolist() == pytest.approx([1.54, 1.50])
    assert result.targets["recorded_m"].tolist() == pytest.approx([1.51, 1.47])
    assert set(result.setups["hypothesis"]) == {"tripod:stand A", "tripod:stand B"}


def test_one_taping_booked_for_instrument_and_prism_counts_once():
    net = build_network(shared(setups=True, targets=True).job())
    assert count(net, "height") == 2
    assert sum("one taping, used once" in note for note in net.notes) == 2


def test_two_different_tapings_of_a_shared_stand_both_count():
    party = shared(setups=True, targets=True)
    party.targets[0]["height"] += 0.002
    assert count(build_network(party.job()), "height") == 3


def test_a_missing_axis_is_said():
    party = shared(0.0, 0.0, setups=True)
    party.equipment.clear()
    assert any("No 'axis' row in equipment for theodolite, prism" in note for note in build_network(party.job()).notes)


def test_a_free_setup_has_a_line_of_sight_but_no_height():
    party = Field({"A": 20.0, "B": 21.0, "C": 20.4}, seed=2)
    party.known("A")
    party.known("B")
    party.heights[""] = 20.2
    party.setup("free", "", 1.5, taped=False)
    for mark in "ABC":
        party.target(mark.lower(), mark, 1.5)
        party.shot("free", mark.lower(), 60.0)
    result = heightnet.check(party.job())
    setup = result.facts["setups"][0]
    assert (setup["verdict"], setup["mark"], setup["recorded_m"]) == ("free", None, None)
    assert result.marks.set_index("mark")["height_m"]["C"] == pytest.approx(20.4, abs=0.006)  # 4 sds of 1.5 mm


@pytest.mark.parametrize("index_sec", [0.0, 12.0, -7.0])
def test_index_error_of_single_face_sights_is_found(index_sec):
    """Both faces of each sight; the index error sways L and R against each other, heights not at all."""
    settings = Settings().with_values(**{"precision.index_sec": 20.0})
    party = Field({"A": 30.0, "B": 33.0}, noise=0.0, settings=settings)
    party.known("A")
    party.setup("S", "A", 1.5, instrument="one")
    party.target("T", "B", 1.6)
    for face in "LR":
        party.shot("S", "T", 150.0, face=face, index=index_sec * SEC)
    net = build_network(party.job())
    from heightnet.adjust import adjust

    fit = adjust(net.A, net.y, net.sd)
    assert net.indexed == ("one",)
    # an observation of 0 +- 20" and two of +- 1 mm at 150 m hold it within a thousandth of itself
    assert fit.x[-1] / SEC == pytest.approx(index_sec, abs=0.01 * abs(index_sec) + 1e-6)
    assert heightnet.check(party.job()).marks.set_index("mark")["height_m"]["B"] == pytest.approx(33.0, abs=1e-6)


def test_mean_of_both_faces_has_no_index_error():
    assert build_network(reciprocal().job()).indexed == ()


def test_refraction_of_each_session_is_found():
    """Long reciprocal sights in the morning (k 0.20) and at noon (k 0.08) between known marks."""
    party = Field({"A": 50.0, "B": 80.0}, noise=0.0)
    party.known("A", sd=1e-4)
    party.known("B", sd=1e-4)
    party.setup("S", "A", 1.5, sd=1e-4)
    party.target("T", "B", 1.5, sd=1e-4)
    for session, k in (("morning", 0.20), ("noon", 0.08)):
        party.k = k
        party.shot("S", "T", 3000.0, sd=1e-4, session=session)
    net = build_network(party.job())
    from heightnet.adjust import adjust

    x = adjust(net.A, net.y, net.sd).x
    assert net.sessions == ("morning", "noon")
    assert (x[-2:] + 0.13).tolist() == pytest.approx([0.20, 0.08], abs=2e-3)


@pytest.mark.parametrize(
    ("row", "sd"),
    [
        ({"sd": 0.0007, "length": 4000.0, "setups": 9.0}, 0.0007),
        ({"length": 4000.0, "setups": 9.0}, 0.002 * 2),
        ({"setups": 9.0}, 0.0005 * 3),
    ],
)
def test_standard_deviation_of_a_levelled_difference(row, sd):
    levels = pd.DataFrame([{"from_mark": "A", "to_mark": "B", "rise": 1.0, **row}])
    net = build_network(Job.from_frames(marks=pd.DataFrame({"mark": ["A"], "height": [1.0]}), levels=levels))
    assert net.sd[net.rows("level")].tolist() == pytest.approx([sd])


def test_a_piece_without_a_known_mark_hangs_by_itself_and_is_said():
    levels = pd.DataFrame({"from_mark": ["A", "C"], "to_mark": ["B", "D"], "rise": [1.0, 2.0], "sd": 0.001})
    marks = pd.DataFrame({"mark": ["A", "C"], "height": [5.0, np.nan]})
    result = heightnet.check(Job.from_frames(marks=marks, levels=levels))
    pieces = {tuple(p["marks"]): (p["tied"], p["datum_mark"]) for p in result.facts["pieces"]}
    assert pieces == {("A", "B"): (True, None), ("C", "D"): (False, "C")}
    assert result.marks.set_index("mark")["height_m"].to_dict() == pytest.approx({"A": 5, "B": 6, "C": 0, "D": 2})
    assert any("by itself" in note["text"] for note in result.facts["notes"])


def test_no_known_mark_at_all():
    levels = pd.DataFrame({"from_mark": ["A", "B"], "to_mark": ["B", "A"], "rise": [1.0, -1.0005], "sd": 0.001})
    result = heightnet.check(Job.from_frames(levels=levels))
    assert result.marks.set_index("mark")["height_m"].to_dict() == pytest.approx({"A": 0.0, "B": 1.00025})
    assert any("relative" in note["text"] for note in result.facts["notes"])


def test_nothing_to_adjust():
    with pytest.raises(CannotAdjust, match="nothing to adjust"):
        heightnet.check(Job.from_frames(marks=pd.DataFrame({"mark": ["A"], "height": [np.nan]})))


def test_staff_readings_hang_on_a_level_line_of_sight():
    party = Field({"A": 5.0, "TP1": 5.4, "B": 6.1}, noise=0.0)
    party.known("A")
    for setup, line, back, fore in (("L1", 6.5, "A", "TP1"), ("L2", 7.2, "TP1", "B")):
        party.read(setup, line, back, "BS")
        party.read(setup, line, fore, "FS")
    net = build_network(party.job())
    assert count(net, "staff") == 4
    assert heightnet.check(party.job()).marks.set_index("mark")["height_m"]["B"] == pytest.approx(6.1, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_routes_are_as_many_as_scipy_lets_flow(seed):
    """scipy's maximum flow on the same multigraph, each observation letting one through."""
    net = build_network(reciprocal(count=3 + seed, seed=seed, levelled=[("K0", "M2")][: seed % 2]).job())
    routes, rows = Routes(net), net.rows("height")
    for i in range(rows.start, rows.stop):
        other = np.delete(np.arange(net.edge_count), i)
        ends = np.r_[net.tail[other], net.head[other]], np.r_[net.head[other], net.tail[other]]
        ends = tuple(places.astype(np.int32) for places in ends)  # before 1.13 scipy's flow takes no wider ones
        through = sparse.coo_array((np.ones(2 * len(other), dtype=np.int32), ends), shape=(len(net.nodes),) * 2).tocsr()
        mark, stand = int(net.tail[i]), int(net.head[i])
        known = sparse.csgraph.maximum_flow(through, mark, stand).flow_value
        assert routes.count(mark, stand, {i}, at_most=3) == min(3, known)


def test_two_tape_readings_of_one_stand_are_no_loop():
    """Readings of one height are compared as what they are; the other loops are all those a graph has (networkx)."""
    import networkx as nx

    from heightnet.commands.demo import demos
    from heightnet.job.read import read_job
    from heightnet.network.loops import loops_of

    net = build_network(read_job(demos()["quarry-traverse"]))
    graph = nx.MultiGraph(zip(net.tail[: net.edge_count].tolist(), net.head[: net.edge_count].tolist(), strict=True))
    independent = graph.number_of_edges() - graph.number_of_nodes() + nx.number_connected_components(graph)
    twice = (net.readings.groupby(["stand_kind", "stand"]).size() == 2).sum()
    loops = loops_of(net)
    assert twice == 4 and len(loops) == independent - twice
    assert not any((net.kind[loop.edges] == code_of("height")).all() for loop in loops)
