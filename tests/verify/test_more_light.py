"""How many more minutes of light a verdict needs: what is foretold comes true when the readings go on."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.verify.inputs import Readings
from service.verify.ranking import ENOUGH_LIGHT_H
from service.verify.run import verify

CLEAR, OVERCAST = 1.0, 0.25
TOLERANCE_MIN = 15
"""The sun goes on rising while one waits, and a count of fives is rounded up."""


def part(roof, hour, minutes):
    """Return the readings of so many minutes from a UTC hour on."""
    first, count = roof.interval(hour), round(minutes / roof.grid.interval_min)
    sent = roof.energy_wh[:, first : first + count]
    return Readings(roof.grid.start + timedelta(hours=hour), roof.grid.interval_min, sent)


def minutes_until_verdict(roof, hour):
    for minutes in range(10, 600, 5):
        if verify(roof.site, part(roof, hour, minutes)).sky.light == "enough":
            return minutes
    raise AssertionError("never enough light")


@pytest.mark.parametrize(
    ("hour", "index", "heard"), [(11, CLEAR, 15), (11, OVERCAST, 45), (10, OVERCAST, 60)]
)
def test_what_is_foretold_comes_true(roof, hour, index, heard):
    r = roof(index=index)
    early = verify(r.site, part(r, hour, heard))
    assert early.verdict == "too_little_light"
    assert early.sky.more_minutes is not None
    needed = minutes_until_verdict(r, hour) - heard
    assert abs(early.sky.more_minutes - needed) <= TOLERANCE_MIN
    later = verify(r.site, part(r, hour, heard + early.sky.more_minutes + TOLERANCE_MIN))
    assert (later.verdict, later.sky.more_minutes) == ("verified", None)


def test_steady_light_is_simple_arithmetic(roof):
    """By hand: what is missing of 0.4 h over the light of the last hour."""
    r = roof(index=OVERCAST)
    found = verify(r.site, part(r, 12, 30))
    unit = max(found.units, key=lambda u: u.reference_yield_h)
    by_hand = (ENOUGH_LIGHT_H - unit.reference_yield_h) / (unit.reference_yield_h / 30)
    assert found.sky.more_minutes == 5 * np.ceil(by_hand / 5)


def test_at_night_nothing_is_foretold(roof):
    r = roof(index=CLEAR)
    found = verify(r.site, part(r, 0, 60))
    assert (found.verdict, found.sky.more_minutes) == ("too_little_light", None)
