"""Published levelling tolerances, each with its source; all but the Australian one and the loops are from memory."""

import numpy as np
import pytest

from heightnet.errors import HeightnetError
from heightnet.network.tolerance import PUBLISHED, tolerance

# FGCC, Standards and Specifications for Geodetic Control Networks, 1984, from memory: section, loop
FGCC = {"1-1": (3, 4), "1-2": (4, 5), "2-1": (6, 6), "2-2": (8, 8), "3": (12, 12)}
# ICSM SP1 version 1.7, from memory
ICSM = {"l2a": 2, "la": 4, "lb": 8, "lc": 12, "ld": 18, "le": 36}
# Canada 1978, from memory
CANADA = {"special": 3, "1": 4, "2": 8, "3": 24, "4": 120}


def test_published_classes():
    for key, (section, loop) in FGCC.items():
        found = tolerance(f"fgcc-{key}")
        assert (found.section_mm_sqrt_km, found.mm_sqrt_km) == (section, loop)
    for prefix, table in (("icsm", ICSM), ("canada", CANADA)):
        for key, c in table.items():
            found = tolerance(f"{prefix}-{key}")
            assert (found.section_mm_sqrt_km, found.mm_sqrt_km) == (c, c)
    # Australian first-order levelling: two levellings within 4 mm per root km (read in the published rule)
    assert tolerance("australia-1").section_mm_sqrt_km == 4
    assert len(PUBLISHED) == len(FGCC) + len(ICSM) + len(CANADA) + 1


def test_from_memory_is_said():
    assert all("from memory" in t.name for key, t in PUBLISHED.items() if key != "australia-1")


def test_root_of_the_distance():
    assert tolerance("fgcc-1-1").loop(100.0) == pytest.approx(0.040)
    assert tolerance("fgcc-1-1").section(4.0) == pytest.approx(0.006)
    assert tolerance("8").loop(2.25) == pytest.approx(0.012)


def test_real_loops_two_stand_out():
    """Die Grossh. Badischen Hauptnivellements (19th century), p. 52: loops 9 and 11 stand out (8.6 and 12.6)."""
    mm = np.array([-6, -40, 22, 18, 25, 11, 1, -9, -146, -63, 125, -63, 74, 62, 42, 69, -41, -35, -29, 117, 2, -84])
    km = np.array([43, 102, 79, 56, 213, 185, 90, 78, 289, 227, 98, 196, 138, 241, 89, 184, 136, 187, 77, 298, 28, 191])
    rule = tolerance("8")
    out = [i + 1 for i, (m, k) in enumerate(zip(mm, km, strict=True)) if abs(m) / 1000 > rule.loop(k)]
    assert out == [9, 11]
    assert (mm[8] / km[8] ** 0.5, mm[10] / km[10] ** 0.5) == pytest.approx((-8.6, 12.6), abs=0.05)


@pytest.mark.parametrize("bad", ["", "third", "-3", "0", "nan", "inf"])
def test_unknown_tolerance_names_the_known_ones(bad):
    with pytest.raises(HeightnetError, match="fgcc-3"):
        tolerance(bad)
