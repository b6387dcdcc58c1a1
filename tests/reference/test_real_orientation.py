"""Orientation from power alone: SERF East, whose tilt is published as 45 and azimuth as 158 degrees.

Open records to set this against: median 5 degrees of azimuth and 1 degree of tilt from years of data
(NREL/CP-5K00-88895); routines run on one clear day miss by 0 to 43 degrees of azimuth.
"""

from __future__ import annotations

import pytest
from pvanalytics import system  # type: ignore[import-untyped]
from pvlib import solarposition

from tests.reference.open_data import (
    LATITUDE,
    LONGITUDE,
    QUARTER,
    modelled_weather_2016,
    serf_east_2016,
)

TILT, AZIMUTH = 45, 158
NEAR_DEG = 5.0


def test_the_second_opinion_finds_the_published_orientation() -> None:
    """`pvanalytics.system.infer_orientation_fit_pvwatts` on all clear hours of 104 days, as in the gallery's example.

    It takes weather for moments; the sun is taken at the middle of each quarter hour.
    """
    weather = modelled_weather_2016()
    clear = weather[(weather["ghi"] == weather["ghi_clear"]) & (weather["ghi"] > 0)]
    watts = serf_east_2016().watts.reindex(clear.index).dropna()
    light = clear.loc[watts.index]
    sun = solarposition.get_solarposition(watts.index + QUARTER / 2, LATITUDE, LONGITUDE).set_axis(
        watts.index
    )
    tilt, azimuth, r_squared = system.infer_orientation_fit_pvwatts(
        watts,
        light["ghi_clear"],
        light["dhi_clear"],
        light["dni_clear"],
        sun["zenith"],
        sun["azimuth"],
        temperature=light["temp_air"],
    )
    assert r_squared > 0.9
    assert azimuth == pytest.approx(AZIMUTH, abs=NEAR_DEG)
    assert tilt == pytest.approx(TILT, abs=NEAR_DEG)
