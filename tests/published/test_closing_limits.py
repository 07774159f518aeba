"""Limits of levelling against published loops."""

import numpy as np
import pytest
from scipy.stats import norm

from heightnet.network.closing import EXPECTED, Closing


def test_real_loops_two_stand_out():
    """Die Grossh. Badischen Hauptnivellements (19th century), p. 52: loops 9 and 11 stand out (8.6 and 12.6)."""
    mm = np.array([-6, -40, 22, 18, 25, 11, 1, -9, -146, -63, 125, -63, 74, 62, 42, 69, -41, -35, -29, 117, 2, -84])
    km = np.array([43, 102, 79, 56, 213, 185, 90, 78, 289, 227, 98, 196, 138, 241, 89, 184, 136, 187, 77, 298, 28, 191])
    rule = Closing(8.0)
    out = [i + 1 for i, (m, k) in enumerate(zip(mm, km, strict=True)) if abs(m) / 1000 > rule.allowed(1.0, k)[0]]
    assert out == [9, 11]
    assert (mm[8] / km[8] ** 0.5, mm[10] / km[10] ** 0.5) == pytest.approx((-8.6, 12.6), abs=0.05)


def test_the_root_of_kilometres_and_of_set_ups():
    """Common practice: C mm times the root of the kilometres, or of the set-ups; the stricter of two."""
    assert Closing(12.0).allowed(1.0, km=2.25)[0] == pytest.approx(0.018)
    assert Closing(None, 1.5).allowed(1.0, km=2.25, setups=16.0)[0] == pytest.approx(0.006)
    both = Closing(12.0, 1.5)
    assert both.allowed(1.0, 2.25, 16.0) == (pytest.approx(0.006), "1.5 mm per root set-up")
    assert both.allowed(1.0, 0.04, 400.0) == (pytest.approx(0.0024), "12 mm per root km")


def test_three_standard_deviations_are_missed_by_one_sound_loop_in_370():
    assert 2 * norm.sf(EXPECTED) == pytest.approx(1 / 370, rel=0.01)
    assert Closing().allowed(0.002, 1.0, 10.0) == (pytest.approx(0.006), "3 times its expected sd")
