"""A plane without sun for days: the still light of clear skies tells an object, and restless covers tell none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import numpy as np
import pytest

from service.verify.causes.shaded import AS_FOG
from service.verify.common_shade import NEEDED, PlaneShade
from service.verify.plane_beam import Beam
from service.verify.run import build_case
from service.verify.sunless import STILL, sunless
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
    assert all("no sun" in f.evidence and "fog" in f.evidence and f.confidence <= AS_FOG for f in found)


def left(days: int, spread: float, restless: float) -> Beam:
    """Return a plane without sun: logs of light that differ by so much from day to day and from bin to bin."""
    chance, shape = np.random.default_rng(4), (days, 40)
    of_days = np.tile([-1.0, 1.0], days)[:days, None] * spread
    light = of_days + restless * chance.standard_normal(shape)
    course = np.log(np.sin(np.linspace(0.8, np.pi - 0.8, 40)))
    nothing = {f.name: np.zeros(shape, dtype=bool) for f in fields(Beam)}
    said = dict.fromkeys(("told", "hidden"), np.ones(shape, dtype=bool))
    return Beam(**nothing | said | {"level": light, "of_diffuse": light, "of_clear": light - course})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("days", "spread", "restless", "told"),
    [(7, 0.05, 0.12, True), (7, 0.4, 0.12, False), (4, 0.05, 0.12, False), (7, 0.05, 0.2, False)],
    ids=["alike", "thick and thin covers", "few days", "restless"],
)
def test_light_that_is_never_quite_still_but_the_same_on_all_days_is_no_cover_s(
    days: int, spread: float, restless: float, told: bool
) -> None:
    beam = left(days, spread, restless)
    assert (sunless(beam, 10) is not None) is told


def test_it_is_days_alike_that_tell_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.verify.sunless.STILL_AND_ALIKE", STILL)
    assert sunless(left(7, 0.05, 0.12), 10) is None


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
    monkeypatch.setattr("service.verify.run.faces_elsewhere", lambda *_: True)
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
