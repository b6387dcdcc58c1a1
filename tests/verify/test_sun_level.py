"""The level between passing clouds: what real skies make of it, and what it tells of a whole site."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.verify.result import Finding
from service.verify.run import verify
from service.verify.sun_level import sun_level, sun_level_of_days
from tests.fleet.skies import DAY_MIN, measured_days_in_order
from tests.verify.conftest import Roof
from tests.verify.test_measured_sky import under

BEAM_SHARE = 0.82
"""Of a clear sky's light on a plane that faces the sun at Payerne in June (Ineichen's clear sky, noon)."""

UNDECIDED = 0.7
"""Most that is believed of what another reading explains as well."""

WITHIN_OF_ONE = 0.12
"""How far a right site may seem off between clouds: what they add differs by so much from day to day."""


def measured_days(interval_min: int = 5) -> list[np.ndarray]:
    """Return the light of real days over the clear sky's, six hours about noon on either side (BSRN, Payerne)."""
    noon = slice(DAY_MIN // 4, 3 * DAY_MIN // 4)
    light = (BEAM_SHARE * beam + (1 - BEAM_SHARE) * diffuse for beam, diffuse in measured_days_in_order())
    return [day[noon].reshape(-1, interval_min).mean(axis=1) for day in light]


def level_of(day: np.ndarray, share: float = 1.0, interval_min: int = 5) -> float | None:
    found = sun_level(np.log(share * day), np.arange(len(day)), interval_min)
    return found.level if found else None


def test_on_real_days_of_passing_clouds_the_level_is_the_clear_sky_s() -> None:
    told = [level for day in measured_days() if (level := level_of(day)) is not None]
    assert len(told) >= 5
    assert np.abs(np.array(told) - 1).max() < WITHIN_OF_ONE


def test_real_days_without_sun_tell_no_level() -> None:
    dull = [day for day in measured_days() if np.quantile(day, 0.95) < 1.0]
    assert len(dull) >= 8
    assert [level_of(day) for day in dull] == [None] * len(dull)


def test_intervals_longer_than_a_gap_tell_no_level() -> None:
    assert {level_of(day, interval_min=15) for day in measured_days(15)} == {None}


@pytest.mark.parametrize("days", [5, 7])
def test_real_weeks_show_the_clear_sky_s_level_in_quarters_of_an_hour_or_none(days: int) -> None:
    daylight = [day[6:-6] for day in measured_days(15)]
    levels = []
    for first in range(len(daylight) - days + 1):
        light = np.concatenate(daylight[first : first + days])
        position = np.concatenate([96 * day + np.arange(len(daylight[0])) for day in range(days)])
        levels.append(sun_level_of_days(np.log(light), position, 15))
    assert sum(found is None for found in levels) >= 8
    assert min(found.level for found in levels if found) > 1


def passing_clouds(roof: Roof) -> np.ndarray:
    """Return clear-sky indices (T,): clouds and gaps of ten minutes, with light from the clouds beside."""
    chance = np.random.default_rng(5)
    cloud = np.arange(roof.grid.count) // 2 % 2 == 0
    return np.where(cloud, chance.uniform(0.3, 0.6, len(cloud)), chance.uniform(1.08, 1.14, len(cloud)))


def found(roof: Roof, share: float) -> list[Finding]:
    clouded = under(roof, passing_clouds(roof))
    dim = replace(clouded, energy_wh=share * clouded.energy_wh)
    return [f for f in verify(dim.site, dim.readings()).findings if f.is_fault]


@pytest.mark.parametrize(("days", "share"), [(2, 0.7), (3, 0.82)])
def test_a_low_site_is_found_between_clouds(roof: Callable[..., Roof], days: int, share: float) -> None:
    (low,) = found(roof(units=6, days=days, ac_rated_w=1000), share)
    assert (low.cause, low.serials) == ("site_low", ())
    assert low.details["factor"] == pytest.approx(share, rel=WITHIN_OF_ONE)
    assert "between passing clouds" in low.evidence


@pytest.mark.parametrize(("days", "share"), [(1, 0.93), (1, 1.0), (3, 0.93), (3, 1.0)])
def test_within_the_model_s_band_nothing_is_said_between_clouds(
    roof: Callable[..., Roof], days: int, share: float
) -> None:
    assert found(roof(units=6, days=days, ac_rated_w=1000), share) == []


def test_on_one_day_a_low_site_is_said_with_the_other_reading(roof: Callable[..., Roof]) -> None:
    (low,) = found(roof(units=6, planes=2, days=1, ac_rated_w=1000), 0.7)
    assert (low.cause, low.serials) == ("site_low", ())
    assert low.details["factor"] == pytest.approx(0.7, rel=WITHIN_OF_ONE)
    assert "Thin cloud" in low.evidence
    assert low.confidence <= UNDECIDED


@pytest.mark.parametrize(("interval_min", "share"), [(15, 1.0), (30, 1.0), (60, 0.7)])
def test_on_one_day_quarters_and_halves_of_an_hour_call_no_sound_site_low_and_hours_none(
    roof: Callable[..., Roof], interval_min: int, share: float
) -> None:
    bare = roof(units=6, planes=2, interval_min=5, ac_rated_w=1000)
    clouded = share * under(bare, passing_clouds(bare)).energy_wh
    longer = roof(units=6, planes=2, interval_min=interval_min, ac_rated_w=1000)
    sums = clouded.reshape(len(clouded), -1, interval_min // 5).sum(axis=2)
    seen = replace(longer, energy_wh=sums)
    assert "site_low" not in [f.cause for f in verify(seen.site, seen.readings()).findings]


@pytest.mark.parametrize(
    ("share", "gaps", "is_low"), [(0.7, 1.05, True), (0.95, 1.05, False), (1.0, 0.6, False)]
)
def test_a_week_of_quarters_of_an_hour_tells_a_low_site_between_clouds(
    roof: Callable[..., Roof], share: float, gaps: float, is_low: bool
) -> None:
    bare = roof(units=6, days=7, interval_min=15, ac_rated_w=1000)
    chance = np.random.default_rng(8)
    hidden = chance.uniform(size=bare.grid.count) < 0.6
    clouds = np.where(
        hidden, *(chance.uniform(*span, bare.grid.count) for span in ((0.2, 0.9), (0.95, 1.03)))
    )
    clouded = under(bare, gaps * clouds if gaps > 1 else gaps * chance.uniform(0.3, 1.0, bare.grid.count))
    seen = replace(clouded, energy_wh=share * clouded.energy_wh)
    said = [f.cause for f in verify(seen.site, seen.readings()).findings if f.is_fault]
    assert said == (["site_low"] if is_low else [])


def test_a_limit_that_holds_the_site_between_clouds_is_no_low_site(roof: Callable[..., Roof]) -> None:
    bare = roof(units=6, days=3, ac_rated_w=1000)
    clouded = under(bare, passing_clouds(bare)).energy_wh
    held = replace(bare, energy_wh=np.minimum(clouded, 0.6 * clouded.max()))
    assert "site_low" not in [f.cause for f in verify(held.site, held.readings()).findings]


@pytest.mark.parametrize(("days", "lacking"), [(1, True), (2, False)])
def test_two_days_of_passing_clouds_judge_the_whole_site(
    roof: Callable[..., Roof], days: int, lacking: bool
) -> None:
    bare = roof(units=6, days=days, ac_rated_w=1000)
    clouded = under(bare, passing_clouds(bare))
    not_yet = {u.cause for u in verify(clouded.site, clouded.readings()).not_yet}
    assert ("site_low" in not_yet) == lacking
