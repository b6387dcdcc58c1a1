"""Which end of their intervals labels are, on a real roof: SERF East, tilt 45, azimuth 158 degrees (see open_data.py).

Its labels are known. Between hills it errs by ten minutes itself, so that a quarter of an hour must never be sure.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import pandas as pd
import pytest

from service.verify.inputs import Readings
from service.verify.interval_end import shown_end
from tests.reference.open_data import Roof, readings, serf_east_2011, serf_east_2016, site

WEEKS = [
    *((serf_east_2016, str(day.date())) for day in pd.date_range("2016-07-02", "2016-10-01", freq="13D")),
    *((serf_east_2011, str(day.date())) for day in pd.date_range("2011-11-20", "2012-02-20", freq="13D")),
]


def _wider(quarters: Readings, parts: int) -> Readings:
    energy = quarters.energy_wh.reshape(1, -1, parts).sum(axis=2)
    return replace(quarters, interval_min=15 * parts, energy_wh=energy)


def _found(roof: Roof, first: str, parts: int, turn: float) -> list[str]:
    found = []
    turned = site(replace(roof, azimuth_deg=roof.azimuth_deg + turn))
    made = _wider(readings(roof, first=first, days=7), parts)
    for is_end in (False, True):
        late = timedelta(minutes=made.interval_min if is_end else 0)
        shown = shown_end(turned, replace(made, start=made.start + late))
        is_told = shown is not None and shown.is_sure
        found.append("open" if not is_told else "right" if shown and shown.is_end == is_end else "wrong")
    return found


@pytest.mark.parametrize("parts", [2, 4])
def test_no_week_shows_the_wrong_end_of_half_an_hour_or_an_hour(parts: int) -> None:
    counts = Counter(
        one
        for turn in (-5.0, 0.0, 5.0)
        for roof, first in WEEKS
        for one in _found(roof(), first, parts, turn)
    )
    assert counts["wrong"] == 0
    assert counts["right"] >= 0.2 * counts.total()


def test_no_week_is_sure_of_a_quarter_of_an_hour() -> None:
    assert {one for roof, first in WEEKS for one in _found(roof(), first, 1, 0.0)} == {"open"}
