"""A plane without sun for days: the still light of clear skies tells an object, and restless covers tell none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from service.verify.common_shade import NEEDED, PlaneShade
from service.verify.run import build_case
from tests.verify.conftest import Roof
from tests.verify.test_common_shade import LATE_WINTER, dull_weather, findings, shaded

ALL_DAY = (90.0, 270.0)
HAZE = {1: 1.0, 3: 0.9, 4: 0.8, 6: 0.7}
"""Clear-sky indices of days without clouds, no two alike."""


def weather(roof: Roof, still: int) -> np.ndarray:
    """Return clear-sky indices (T,): closed covers, but for so many days of haze alone."""
    index = dull_weather(roof)
    for day, clear in list(HAZE.items())[:still]:
        index[roof.interval(0, day) : roof.interval(24, day)] = clear
    return index


@pytest.mark.parametrize("planes", [1, 2])
def test_a_hill_that_leaves_no_sun_shows_in_the_light_of_days_without_clouds(
    roof: Callable[..., Roof], planes: int
) -> None:
    bare = roof(units=8, planes=planes, days=7, start=LATE_WINTER)
    hidden = shaded(bare, "south west" if planes == 2 else "south", ALL_DAY, weather(bare, still=4))
    assert all(s.sunless for s in build_case(hidden.site, hidden.readings()).shades)
    found = findings(hidden)
    assert [f.cause for f in found] == ["shaded"] * planes
    assert sum(len(f.serials) for f in found) == 8
    assert all("no sun" in f.evidence for f in found)


@pytest.mark.parametrize(
    ("azimuths", "still"), [(ALL_DAY, 1), ((0.0, 1.0), 0)], ids=["one day without clouds", "covers"]
)
def test_covers_with_or_without_a_hill_tell_none(
    roof: Callable[..., Roof], azimuths: tuple[float, float], still: int
) -> None:
    bare = roof(units=8, days=7, start=LATE_WINTER)
    assert findings(shaded(bare, "south", azimuths, weather(bare, still))) == ()


def test_a_plane_that_would_rather_face_elsewhere_is_left_open(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = roof(units=8, days=7, start=LATE_WINTER)
    hidden = shaded(bare, "south", ALL_DAY, weather(bare, still=4))
    monkeypatch.setattr("service.verify.run._faces_elsewhere", lambda *_: True)
    case = build_case(hidden.site, hidden.readings())
    assert case.shades == ()
    assert case.doubted == ("south",)


@pytest.mark.parametrize(
    ("sunless", "turned", "speaks"), [(True, False, True), (True, True, False), (False, False, False)]
)
def test_what_still_days_tell_holds_for_planes_beside_but_not_of_one_that_may_face_elsewhere(
    sunless: bool, turned: bool, speaks: bool
) -> None:
    where = np.ones(4, dtype=bool)
    shade = PlaneShade("south", ALL_DAY, where, 3, NEEDED, where, turned=turned, sunless=sunless)
    assert shade.speaks_for_others == speaks
