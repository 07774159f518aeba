"""A level net with one sign turned at a time.

Student research programme, Brazil, 2019-20: the inputs were read there; what must come out is our own recomputation.
"""

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet import Job

# "a-b" reads height of a less height of b
LINES = (("1", "A", 3.541), ("2", "A", 1.877), ("2", "1", -1.664), ("3", "1", -2.394), ("3", "2", -0.730),
         ("4", "2", -4.021), ("4", "3", -3.291), ("B", "3", -3.147), ("B", "4", 0.144))  # fmt: skip
KNOWN = {"A": 10.0, "B": 8.0}


def net(flipped=None):
    rises = [-r if i == flipped else r for i, (_, _, r) in enumerate(LINES)]
    levels = pd.DataFrame(
        {"from_mark": [b for _, b, _ in LINES], "to_mark": [a for a, _, _ in LINES], "rise": rises, "sd": 0.001}
    )
    marks = pd.DataFrame({"mark": list(KNOWN), "height": list(KNOWN.values()), "sd": 0.0})
    return heightnet.check(Job.from_frames(marks=marks, levels=levels))


def test_it_closes_exactly():
    result = net()
    found = result.marks.set_index("mark")["height_m"]
    assert found[["1", "2", "3", "4"]].tolist() == pytest.approx([13.541, 11.877, 11.147, 7.856], abs=1e-9)
    assert result.levels["residual_mm"].abs().max() < 1e-6
    assert result.facts["suspects"] == []


@pytest.mark.parametrize("flipped", range(9))
def test_the_turned_sign_is_found_with_its_size(flipped):
    result = net(flipped)
    (suspect,) = result.facts["suspects"]
    assert suspect["id"] == f"level:levels.csv:{flipped + 2}"
    size = -2000 * LINES[flipped][2]  # recorded less true
    assert suspect["error_mm"] == pytest.approx(size, abs=4 * suspect["error_sd_mm"])
    assert suspect["cause"] == "sign"
    assert np.isfinite(suspect["probability"]) and suspect["probability"] > 0.99
