"""Large jobs of every awkward kind, from their tables to redundancy numbers, against scipy's dense QR."""

import numpy as np
import pandas as pd
import pytest
from scipy import linalg

from heightnet.job.read import read_job
from heightnet.judge.large import LargeBench
from heightnet.network import build_network
from tests.benchmarks.check_speed import write_job


def awkward(folder, kind, change):
    write_job(folder, kind, 700, planted=0)
    tables = {name: pd.read_csv(folder / f"{name}.csv") for name in ("marks", "setups", "targets", "shots")}
    change(tables)
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False)
    return build_network(read_job(folder))


def held(tables):
    """Every known mark held exactly."""
    tables["marks"]["sd_mm"] = np.where(tables["marks"]["height"].notna(), 0, np.nan)


def pieces(tables):
    """Parts that nothing ties together, some without a known mark."""
    setups = tables["setups"]["mark"].str[1:].astype(int)
    targets = tables["targets"]["mark"].str[1:].astype(int)
    side = {**dict(zip(tables["setups"]["setup"], setups // 60, strict=True)),
            **dict(zip(tables["targets"]["target"], targets // 60, strict=True))}  # fmt: skip
    shots = tables["shots"]
    tables["shots"] = shots[shots["setup"].map(side) == shots["target"].map(side)]


def sessions(tables):
    """A session of air for each ten sights or so."""
    tables["shots"]["session"] = [f"day {i // 10}" for i in range(len(tables["shots"]))]


def doubled(tables):
    """Every other sight observed twice, once a thousand times better."""
    shots = tables["shots"]
    again = shots.iloc[::2].assign(sd_zenith_sec=0.003, sd_distance_mm=0.001)
    tables["shots"] = pd.concat([shots.assign(sd_zenith_sec=3.0, sd_distance_mm=1.0), again])


def free(tables):
    """A third of the set-ups free, over no mark."""
    tables["setups"].loc[::3, ["mark", "height"]] = np.nan


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["chain", "town", "lattice"])
@pytest.mark.parametrize("change", [held, pieces, sessions, doubled, free], ids=lambda change: change.__name__)
def test_redundancy_against_dense_qr(kind, change, tmp_path):
    net = awkward(tmp_path / "job", kind, change)
    bench = LargeBench(net)
    fit = bench.fit
    Q, _ = linalg.qr(net.A.toarray() / net.sd[:, None], mode="economic")
    expected = 1 - (Q**2).sum(axis=1)
    # two exact algorithms on numbers whose weights differ by up to a million: measured 2e-13, 2e-12 where doubled
    assert np.abs(fit.r - expected).max() < 1e-11
    assert fit.r.sum() == pytest.approx(len(net.y) - net.A.shape[1], abs=1e-8)
    untested = bench.classes.redundancy[bench.family.observation >= 0] == 0
    obs = bench.family.observation[bench.family.observation >= 0]
    assert (expected[obs[untested]] < 1e-10).all()  # bridges are exactly 0 here
    assert (expected[obs[~untested]] > 1e-10).all()
