"""The sun's rising and noon against pvlib's solar position (NREL's algorithm)."""

from __future__ import annotations

import pandas as pd
import pytest
from pvlib.solarposition import sun_rise_set_transit_spa

from service.intake.export.noon import half_day_s, solar_noon_s
from service.intake.export.times import DAY_S

MINUTES = 3.0
"""`label` calls nothing night that is not five minutes deep in it."""


@pytest.mark.parametrize(("latitude", "longitude"), [(52.5, 13.4), (-33.9, 18.4), (40.0, -105.0)])
def test_sunrise_and_noon_are_right_within_minutes(latitude: float, longitude: float) -> None:
    days = pd.date_range("2026-01-01", "2026-12-31", freq="9D", tz="UTC")
    known = sun_rise_set_transit_spa(days, latitude, longitude)
    for at, noon, rise in zip(days, known["transit"], known["sunrise"], strict=True):
        day = int(at.timestamp()) // DAY_S
        found = solar_noon_s(day, longitude)
        assert abs(_apart(found, noon.timestamp())) < MINUTES * 60
        assert abs(_apart(found - half_day_s(day, latitude), rise.timestamp())) < MINUTES * 60


def _apart(one: float, other: float) -> float:
    return (one - other + DAY_S / 2) % DAY_S - DAY_S / 2
