"""A clear sky's light behind clouds, with the sun at any height, within what is ever measured.

Clouds are given as `skies.py` has them. The same cloud lets the same share of a clear sky's global light through,
whatever the sun's height (Kasten & Czeplak 1980, Solar Energy 24, 177-189, from memory), not the same multiple of its
diffuse light, which is an eighth of the global with the sun at 60 degrees and half of it at 6. At Payerne in June
2016 (BSRN, 29 days) the median share of the global without beam is 0.31 with the sun at 5 to 7 degrees, 0.28 at 10
to 15, 0.33 at 30 to 50 and 0.36 above 60.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from pvlib import irradiance

from tests.fleet.sun import Array

CLEAR_DIFFUSE = 0.15
"""Diffuse part of a clear sky's global light: half of the fleet's have less with the sun above 30 degrees."""

RARE_GHI = (1.2, 1.2, 50.0)
RARE_DHI = (0.75, 1.2, 30.0)
RARE_DNI = (0.95, 0.2, 10.0)
"""Extremely rare limits, `factor * extraterrestrial * cos(zenith) ** exponent + addend` in W/m2.

Long & Dutton 2002, BSRN Global Network recommended QC tests V2.0, as `pvanalytics.quality.irradiance` has them.
Of the minutes of daylight at Payerne in June 2016, some 25,000, 16 go beyond, by 7 % at most.
"""


def behind_clouds(
    dni: Array, dhi: Array, *, beam: Array, diffuse: Array, elevation_deg: Array, minutes: pd.DatetimeIndex
) -> tuple[Array, Array]:
    """Return what DNI and DHI, W/m2, of a clear sky are behind clouds with these shares of `beam` and `diffuse`.

    Diffuse light up to the beam's share is the clear sky's own. What is beyond was scattered by clouds and goes with
    the global; its share is that of a sky of which `CLEAR_DIFFUSE` is diffuse.
    """
    height = np.sin(np.radians(np.maximum(elevation_deg, 0.0)))
    of_clouds = CLEAR_DIFFUSE * np.maximum(diffuse - beam, 0.0) * (dni * height + dhi)
    return _bounded(dni * beam, dhi * np.minimum(diffuse, beam) + of_clouds, height, minutes)


def _bounded(dni: Array, dhi: Array, height: Array, minutes: pd.DatetimeIndex) -> tuple[Array, Array]:
    extra = irradiance.get_extra_radiation(minutes).to_numpy()
    most_ghi, most_dhi, most_dni = (
        factor * extra * height**exponent + addend
        for factor, exponent, addend in (RARE_GHI, RARE_DHI, RARE_DNI)
    )
    dni = np.minimum(dni, most_dni)
    return dni, np.minimum(dhi, np.minimum(most_dhi, most_ghi - dni * height))
