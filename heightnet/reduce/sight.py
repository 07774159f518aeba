"""One sight to a height difference, its variance, and how it depends on refraction and index error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from heightnet.arrays import Floats
from heightnet.ledger.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

ARCSEC = np.pi / (180 * 3600)


@dataclass(frozen=True)
class Sights:
    """Reduced sights, arrays of one length (m, rad).

    rise : height of the target centre above the trunnion axis, with the settings' refraction.
    sd : its standard deviation, from zenith angle and distance.
    horizontal : horizontal distance s sin z.
    bow : (s sin z)^2 / 2R, by which the rise falls for each unit of the refraction coefficient k.
    index_arm : change of the computed rise for each radian of index error (0 for the mean of both faces).
    """

    rise: Floats
    sd: Floats
    horizontal: Floats
    bow: Floats
    index_arm: Floats


def curvature_and_refraction(distance: Floats, k: float, radius: float) -> Floats:
    """(1 - k) d^2 / 2R: how far a level line of sight stands above a level surface after d metres.

    >>> float(np.round(curvature_and_refraction(np.float64(1000.0), 0.13, 6371000.0), 3))
    0.068
    """
    return (1 - k) * distance**2 / (2 * radius)


def reduce_sights(shots: pd.DataFrame, settings: Settings) -> Sights:
    """Slope distance and zenith angle to a rise: s cos z + (1 - k)(s sin z)^2 / 2R.

    Variance (cos z sd_s)^2 + (s sin z sd_z)^2 with sd_s^2 = mm^2 + (ppm s)^2.  A face-L reading is z + i, a face-R
    reading x means z = 360 deg - x + i, with i the instrument's index error.
    """
    s = shots["slope_distance"].to_numpy(float)
    read = shots["zenith_angle"].to_numpy(float)
    face = shots["face"].to_numpy(object)
    z = np.where(read > np.pi, 2 * np.pi - read, read)
    p = settings.precision
    sd_z = shots["sd_zenith"].fillna(p.zenith_sec * ARCSEC).to_numpy(float)
    stated = shots["sd_distance"].to_numpy(float)
    usual = np.hypot(p.distance_mm / 1000, p.distance_ppm * 1e-6 * s)
    sd_s = np.where(np.isnan(stated), usual, stated)
    horizontal = s * np.sin(z)
    bow = horizontal**2 / (2 * settings.earth.radius_m)
    rise = s * np.cos(z) + (1 - settings.air.refraction) * bow
    sd = np.hypot(np.cos(z) * sd_s, horizontal * sd_z)
    sign = np.where(face == "L", -1.0, np.where(face == "R", 1.0, 0.0))
    return Sights(rise=rise, sd=sd, horizontal=horizontal, bow=bow, index_arm=sign * horizontal)
