"""Die Grossh. Badischen Hauptnivellements (19th century, public domain), p. 52: twenty-two loops of a real net.

Four digits of a poor scan were settled by the printed sums.
"""

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet import Job

LOOPS = "-6/43 -40/102 22/79 18/56 25/213 11/185 1/90 -9/78 -146/289 -63/227 125/98 -63/196 74/138 62/241 42/89 69/184 "
LOOPS += "-41/136 -35/187 -29/77 117/298 2/28 -84/191"
MISCLOSURE, KM = np.array([[float(x) for x in loop.split("/")] for loop in LOOPS.split()]).T


def job():
    """Each loop as a line from a fixed mark back to the same height: the two ends held, so that it closes on itself."""
    count = len(KM)
    names = [f"loop {i + 1}" for i in range(count)]
    marks = pd.DataFrame({"mark": ["start", *names], "height": 0.0, "sd": 0.0})
    levels = pd.DataFrame({"from_mark": "start", "to_mark": names, "rise": MISCLOSURE / 1000, "length": KM * 1000,
                           "sd": 4.85e-3 * np.sqrt(KM)})  # fmt: skip
    return Job.from_frames(marks=marks, levels=levels)


@pytest.fixture(scope="module")
def result():
    return heightnet.check(job())


def test_printed_sums():
    assert KM.sum() == 3225
    assert MISCLOSURE.sum() == 52
    assert np.sqrt((MISCLOSURE**2 / KM).mean()) == pytest.approx(4.85, abs=0.006)


def test_loops_9_and_11_stand_out(result):
    w = result.levels["w"].abs().to_numpy(float) * 4.85  # mm for each root of a kilometre
    assert {int(i) + 1 for i in np.argsort(-w)[:2]} == {9, 11}
    assert w[8] == pytest.approx(8.6, abs=0.06)
    assert w[10] == pytest.approx(12.6, abs=0.06)


def test_loops_of_the_result(result):
    loops = {next(m for m in loop["marks"] if m != "start"): loop for loop in result.facts["loops"]}
    assert len(loops) == 22
    for i, (miss, km) in enumerate(zip(MISCLOSURE, KM, strict=True)):
        loop = loops[f"loop {i + 1}"]
        assert abs(loop["misclosure_mm"]) == pytest.approx(abs(miss), abs=1e-6)
        assert loop["length_km"] == pytest.approx(km)
    # by hand: 12.6 mm for each root of a kilometre are 2.6 standard deviations of 4.85 mm, within three
    assert all(loop["closes"] for loop in loops.values())
    # against 12 mm for each root of a kilometre only loop 11 is outside
    limited = heightnet.bust(job(), closing=12.0).facts["loops"]
    assert [loop["marks"] for loop in limited if not loop["closes"]] == [loops["loop 11"]["marks"]]
