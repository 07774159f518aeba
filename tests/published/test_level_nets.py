"""Level nets worked out elsewhere, run as jobs through the public interface."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import heightnet
from heightnet import Job
from heightnet.adjust import adjust
from heightnet.judge.promises import found_delta
from heightnet.network import build_network


def level_job(lines, known, sd_m):
    """A job of levelled differences: lines (from, to, rise), known {mark: height}, held exactly."""
    frame = pd.DataFrame(lines, columns=["from_mark", "to_mark", "rise"])
    marks = pd.DataFrame({"mark": list(known), "height": list(known.values()), "sd": 0.0})
    return Job.from_frames(marks=marks, levels=frame.assign(sd=sd_m))


def heights(result):
    return result.marks.set_index("mark")["height_m"]


SIX_LINES = (("1", "2", -0.749), ("1", "3", -1.274), ("1", "4", -2.890), ("2", "3", -0.530), ("2", "4", -2.141),
         ("3", "4", -1.614))  # fmt: skip
SIX_SDS = np.array([1.1, 1.8, 1.4, 1.5, 1.9, 0.9]) * 0.7e-3  # proportional to the length, as the notes have it


@pytest.fixture(scope="module")
def result():
    return heightnet.check(level_job(SIX_LINES, {"4": 101.345}, SIX_SDS))


class TestSixLines:
    """OSGeoLab, Budapest University of Technology, open course notes (CC0), a level network; printed digits."""

    def test_heights(self, result):
        assert heights(result)[["1", "2", "3"]].tolist() == pytest.approx([104.2350, 103.4868, 102.9588], abs=6e-5)

    def test_standard_deviations_scaled_by_the_variance_factor(self, result):
        """As the adjustment has them; those of a result carry the factor that the judgement infers instead."""
        net = build_network(level_job(SIX_LINES, {"4": 101.345}, np.array(SIX_SDS)))
        fit = adjust(net.A, net.y, net.sd)
        of = dict(zip(net.nodes.name, net.nodes.column, strict=True))
        sd = [1000 * fit.sd_x[of[mark]] * np.sqrt(fit.variance_factor) for mark in "123"]
        assert sd == pytest.approx([1.13, 1.19, 0.91], abs=0.006)

    def test_fit(self, result):
        fit = result.facts["fit"]
        assert fit["redundancy"] == 3
        assert fit["chi2"] == pytest.approx(8.217, abs=6e-4)
        assert np.sqrt(fit["variance_factor"]) == pytest.approx(1.65, abs=0.006)

    def test_residuals(self, result):
        # the notes print adjusted less observed; ours are observed less adjusted
        printed = [0.81, -2.18, 0.00, 2.01, -0.81, 0.18]
        assert (-result.levels["residual_mm"]).tolist() == pytest.approx(printed, abs=0.006)

    def test_redundancy_and_w(self, result):
        assert result.levels["redundancy"].tolist() == pytest.approx([0.3, 0.7, 0.5, 0.5, 0.7, 0.2], abs=0.051)
        assert result.levels["w"].abs().tolist() == pytest.approx([1.9, 2.1, 0.0, 2.6, 0.7, 0.6], abs=0.051)

    def test_drop_of_chi2_is_w_squared(self, result):
        """Own recomputation, by an exact identity: freeing line i lowers v'Pv by w_i^2."""
        assert (result.levels["w"] ** 2).tolist() == pytest.approx(
            [3.5335, 4.3485, 0.0, 6.7174, 0.5218, 0.3485], abs=6e-5
        )

    def test_smallest_detectable(self, result):
        """Own recomputation with delta0 4.132: what one test at alpha 0.1 % would find with power 80 %."""
        sd = result.levels["sd_mm"] / np.sqrt(result.levels["redundancy"])
        assert (found_delta(norm.isf(np.array([0.0005])), 0.80) * sd).tolist() == pytest.approx(
            [5.678, 6.284, 5.664, 5.869, 6.535, 5.377], abs=1e-3
        )


def test_textbook_example_12_1():
    """Ghilani & Wolf, Adjustment Computations, 4th ed. 2006, Example 12.1: inputs read there, results as quoted in
    someone else's public text, to their printed 0.1 mm."""
    lines = [("A", "B", 10.509), ("B", "C", 5.360), ("C", "D", -8.523), ("D", "A", -7.348), ("B", "D", -3.167),
             ("A", "C", 15.881)]  # fmt: skip
    result = heightnet.check(level_job(lines, {"A": 437.596}, np.array([6, 4, 5, 3, 4, 12]) / 1000))
    assert heights(result)[["B", "C", "D"]].tolist() == pytest.approx([448.1087, 453.4685, 444.9436], abs=6e-5)
    # own recomputation: the unrounded v'Pv (the book's s0 of 0.6575 does not follow from its data)
    assert result.facts["fit"]["chi2"] == pytest.approx(1.27212, abs=6e-6)


FEET_NET = [("X", "A", 5.10, 4), ("A", "Y", 2.34, 3), ("Y", "C", -1.25, 2), ("C", "X", -6.13, 3), ("A", "B", -0.68, 2),
            ("Y", "B", -3.00, 2), ("B", "C", 1.70, 2)]  # fmt: skip


@pytest.mark.parametrize(
    ("weights", "expected", "s0"),
    [
        (np.ones(7), [105.141, 104.483, 106.188], 0.050),
        (12 / np.array([4, 3, 2, 3, 2, 2, 2]), [105.150, 104.489, 106.197], 0.107),
    ],
)
def test_textbook_chapter_12_net_in_feet(weights, expected, s0):
    """The same textbook's chapter 12 net (feet), from memory, to 3 decimals."""
    lines = [line[:3] for line in FEET_NET]
    result = heightnet.check(level_job(lines, {"X": 100.00, "Y": 107.50}, 1 / np.sqrt(weights)))
    assert heights(result)[["A", "B", "C"]].tolist() == pytest.approx(expected, abs=6e-4)
    assert np.sqrt(result.facts["fit"]["variance_factor"]) == pytest.approx(s0, abs=6e-4)


def test_node_from_four_known_marks():
    """Einleitung, Landesvermessung, Kataster, vol. 1 (German survey handbook, 1920s, public domain), p. 197."""
    known = {"1": 56.619, "2": 54.695, "3": 54.961, "4": 55.839}
    lines = [("1", "N", -1.0854), ("2", "N", 0.8524), ("3", "N", 0.5922), ("4", "N", -0.3030)]
    result = heightnet.check(level_job(lines, known, 1 / np.sqrt([1.45, 0.68, 1.00, 2.50])))
    assert heights(result)["N"] == pytest.approx(55.5398, abs=6e-5)
    assert (-result.levels["residual_mm"]).tolist() == pytest.approx([6.2, -7.6, -13.4, 3.8], abs=0.06)
