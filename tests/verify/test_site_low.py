"""A site that is low as a whole: told in clear hours only, beyond the model's band, accusing no unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.sky import cloudy_sky
from service.expect.weather import Weather
from service.verify.case import Case, expectation
from service.verify.causes import site_low
from service.verify.causes.site_low import LOW, fits_clear
from service.verify.clear_level import ClearLevel
from service.verify.day import daylight
from service.verify.result import Finding
from service.verify.run import build_case, verify
from service.verify.sun_level import BY_CLOUDS
from service.verify.told_level import ToldLevel
from tests.verify.conftest import Roof, in_air
from tests.verify.test_measured_sky import sensor, under

LEAST_CLEAR = 0.3
"""Share of a cloudless day at least that is called clear though its curve is bent by a quarter."""


def found(roof: Roof, weather: Weather | None = None) -> list[Finding]:
    return [f for f in verify(roof.site, roof.readings(), weather).findings if f.is_fault]


def covered(roof: Roof, share: float | np.ndarray) -> Roof:
    return replace(roof, energy_wh=roof.energy_wh * share)


@pytest.mark.parametrize("share", [0.65, 0.8])
def test_a_cover_over_all_modules_is_found_and_accuses_no_unit(
    roof: Callable[..., Roof], share: float
) -> None:
    (low,) = found(covered(roof(planes=2, index=1.0, ac_rated_w=1000), share))
    assert (low.cause, low.serials) == ("site_low", ())
    assert low.details["factor"] == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize(
    ("share", "index", "clear"), [(0.8, 1.0, True), (0.5, 1.0, True), (1.0, 1.0, True), (1.0, 0.5, False)]
)
def test_what_a_whole_roof_lacks_is_no_cloud(
    roof: Callable[..., Roof], share: float, index: float, clear: bool
) -> None:
    r = covered(roof(index=index, ac_rated_w=1000), share)
    of_sky = verify(r.site, r.readings()).sky.clear_share
    assert of_sky is not None
    assert of_sky > 0.9 if clear else of_sky < 0.05


@pytest.mark.parametrize(("days", "planes", "is_low"), [(1, 1, False), (2, 1, True), (1, 2, True)])
def test_an_only_plane_s_one_day_tells_its_clock_or_its_level_and_not_both(
    roof: Callable[..., Roof], days: int, planes: int, is_low: bool
) -> None:
    r = covered(roof(index=1.0, days=days, planes=planes), 0.6)
    late = replace(r, energy_wh=np.roll(r.energy_wh, 12, axis=1))
    assert {f.cause for f in found(late)} == {"clock_shift", *(["site_low"] if is_low else [])}


def test_what_is_missing_is_counted(roof: Callable[..., Roof]) -> None:
    whole = roof(index=1.0, ac_rated_w=1000)
    (low,) = found(covered(whole, 0.75))
    assert low.lost_wh == pytest.approx(0.25 * whole.energy_wh.sum(), rel=0.1)


@pytest.mark.parametrize("share", [0.92, 1.0, 1.1])
def test_within_the_model_s_band_nothing_is_said(roof: Callable[..., Roof], share: float) -> None:
    assert found(covered(roof(index=1.0, ac_rated_w=1000), share)) == []


@pytest.mark.parametrize("index", [0.25, 0.5])
@pytest.mark.parametrize("planes", [1, 2])
def test_even_overcast_is_no_low_site(roof: Callable[..., Roof], index: float, planes: int) -> None:
    assert found(roof(index=index, days=2, planes=planes, ac_rated_w=1000)) == []


def test_flat_minutes_under_a_cover_that_lights_all_planes_alike_are_no_clear_sky(
    roof: Callable[..., Roof],
) -> None:
    r = roof(planes=2, days=2, start=datetime(2026, 1, 22, tzinfo=UTC))
    day = daylight(r.site, r.grid, None)
    dull = 0.3 + 0.1 * np.sin(np.arange(len(day.positions)))
    clear, covered = (
        expectation(day, cloudy_sky(day.sun, day.clear, index=day.on_steps(index))).energy_wh
        for index in (np.ones(len(dull)), dull)
    )
    hour = day.positions * r.grid.interval_min / 60 % 24
    flat = (hour >= 13.5) & (hour < 14.2)
    r.energy_wh[:, day.positions] = np.where(flat, 0.7 * clear.mean(axis=0), covered)
    assert found(r) == []


def test_hours_that_come_back_day_by_day_are_clear_though_the_curve_is_bent(
    roof: Callable[..., Roof],
) -> None:
    """In whole hours a bend of the model's hides that a sky is even; clouds of one day are not those of another."""
    r = roof(index=1.0, days=4, interval_min=60, planes=2, ac_rated_w=1000)
    bent = 0.5 * (1 + 0.2 * np.abs(np.arange(96) % 24 - 12.5) / 6)
    cloud = np.random.default_rng(2).uniform(0.3, 0.9, 96)
    cloudless = np.arange(96) // 24 % 2 == 0
    (low,) = found(covered(r, np.where(cloudless, bent, 0.5 * cloud)))
    assert low.cause == "site_low"
    assert low.details["factor"] == pytest.approx(0.52, abs=0.05)
    assert "site_low" not in [f.cause for f in found(covered(r, cloud))]


@pytest.mark.parametrize(
    ("days", "hours", "clear_h", "dull"),
    [(3, 1.8, 5.0, True), (3, 3.1, 5.0, False), (3, 1.8, 12.0, False), (1, 1.8, 0.0, False)],
)
def test_one_day_of_several_that_is_flat_for_an_hour_or_two_is_a_cover_unless_others_are_clear(
    roof: Callable[..., Roof], days: int, hours: float, clear_h: float, dull: bool
) -> None:
    r = roof(days=days)
    case = build_case(r.site, r.readings())
    clear = ClearLevel(0.7, hours, 1, np.zeros(len(case.day.positions), dtype=bool))
    told = ToldLevel(0.7, 30.0, 20.0, 0.7, 20.0, clear_h, 9.0, days)
    assert site_low._is_one_dull_day_of_several(case, clear, told) is dull
    assert site_low._is_low(case, clear, told) is not dull


def test_gaps_alone_make_no_site_low_whose_light_fits_no_low_level(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    r = roof(days=3)
    case = build_case(r.site, r.readings())
    gaps = ClearLevel(0.8, 2.0, 3, np.zeros(len(case.day.positions), dtype=bool))
    monkeypatch.setattr(site_low, "between_clouds", lambda _: gaps)
    told = ToldLevel(0.8, 3.0, 0.0, 0.8, 0.0, 0.0, 9.0, 3)
    assert site_low._low_between_clouds(case, None, None) is None
    assert site_low._low_between_clouds(case, None, told) is not None


WINTER = datetime(2026, 12, 2, tzinfo=UTC)


@pytest.mark.parametrize(
    ("start", "turbidity", "share", "is_low"),
    [
        (WINTER, 4.0, 1.0, False),
        (WINTER, None, 0.7, True),
        (datetime(2026, 5, 4, tzinfo=UTC), None, 0.7, True),
    ],
)
def test_haze_of_several_days_is_no_low_site_under_a_low_sun(
    roof: Callable[..., Roof], start: datetime, turbidity: float | None, share: float, is_low: bool
) -> None:
    """So near to midwinter two to six airs lie before the sun, and haze takes the more of it the lower it stands."""
    r = roof(days=3, index=1.0, ac_rated_w=1000, start=start)
    r = covered(in_air(r, turbidity) if turbidity else r, share)
    assert [f.cause for f in found(r)] == (["site_low"] if is_low else [])


@pytest.mark.parametrize(("days", "sure", "enough"), [(2, 20.0, False), (3, 20.0, True), (3, 5.0, False)])
def test_gaps_under_a_low_sun_must_be_of_more_days_and_their_light_fit_a_low_level(
    roof: Callable[..., Roof], days: int, sure: float, enough: bool
) -> None:
    r = roof(days=3, index=0.8, start=WINTER)
    case = build_case(r.site, r.readings())
    gaps = ClearLevel(0.8, 2.0, days, np.ones(len(case.day.positions), dtype=bool))
    told = ToldLevel(0.8, sure, -3.0, 0.8, -3.0, 0.0, 9.0, days)
    assert site_low._are_enough_gaps(case, gaps, told) is enough


def test_passing_clouds_are_no_low_site(roof: Callable[..., Roof]) -> None:
    bare = roof(index=1.0, interval_min=15)
    cloud = np.random.default_rng(3).uniform(0.4, 1.05, bare.grid.count)
    assert [f.cause for f in found(replace(bare, energy_wh=bare.energy_wh * cloud))] == []


def test_measured_irradiance_shows_a_low_site_under_any_even_sky(roof: Callable[..., Roof]) -> None:
    r = covered(roof(index=0.7), 0.7)
    day = build_case(r.site, r.readings()).day
    ghi = np.zeros(r.grid.count)
    ghi[day.positions] = 0.7 * day.clear.ghi * day.sun.up_share
    assert "site_low" in [f.cause for f in found(r, Weather(r.grid.start, 5, ghi_w_m2=ghi))]


@pytest.mark.parametrize(("share", "is_low"), [(0.5, True), (0.85, True), (0.93, False), (1.0, False)])
def test_measured_irradiance_shows_a_low_site_between_clouds(
    roof: Callable[..., Roof], share: float, is_low: bool
) -> None:
    bare = roof(interval_min=15, ac_rated_w=1000)
    clouds = np.random.default_rng(3).uniform(0.3, 1.1, bare.grid.count)
    r = covered(under(bare, clouds), share)
    low = [f for f in found(r, sensor(r, clouds)) if f.cause == "site_low"]
    assert bool(low) is is_low
    assert all(f.details["factor"] == pytest.approx(share, abs=0.02) for f in low)
    assert "site_low" not in [f.cause for f in found(r)]


def test_what_some_units_lack_by_a_measured_sky_is_not_the_site_s(roof: Callable[..., Roof]) -> None:
    r = roof(index=0.7, ac_rated_w=1000)
    r.energy_wh[:8] *= 2 / 3
    assert "site_low" not in [f.cause for f in found(r, sensor(r, 0.7))]


def test_a_sensor_that_reads_low_hides_a_low_site_and_accuses_none(roof: Callable[..., Roof]) -> None:
    r = covered(roof(index=0.7, ac_rated_w=1000), 0.95)
    assert "site_low" not in [f.cause for f in found(r, sensor(r, 0.6))]


@pytest.mark.parametrize("interval_min", [15, 60])
@pytest.mark.parametrize("ac_rated_w", [250.0, 1000.0])
def test_half_the_output_is_found_though_the_record_s_inverters_would_stand_at_their_limit(
    roof: Callable[..., Roof], interval_min: int, ac_rated_w: float
) -> None:
    whole = roof(index=1.0, interval_min=interval_min, ac_rated_w=1000)
    half = covered(whole, 0.5)
    inverters = tuple(replace(t, ac_rated_w=ac_rated_w) for t in half.site.inverter_types)
    (low,) = found(replace(half, site=replace(half.site, inverter_types=inverters)))
    assert low.cause == "site_low"
    assert low.details["factor"] == pytest.approx(0.5, abs=0.03)


def test_a_common_limit_at_noon_is_no_low_site(roof: Callable[..., Roof]) -> None:
    bare = roof(index=1.0, ac_rated_w=1000)
    limit = 0.75 * bare.energy_wh.sum(axis=0).max()
    held = np.minimum(limit / np.maximum(bare.energy_wh.sum(axis=0), 1e-9), 1.0)
    assert "site_low" not in [f.cause for f in found(replace(bare, energy_wh=bare.energy_wh * held))]


def test_most_units_with_a_substring_out_are_no_low_site(roof: Callable[..., Roof]) -> None:
    r = roof(index=1.0, days=2, ac_rated_w=1000)
    r.energy_wh[:8] *= 2 / 3
    assert "site_low" not in [f.cause for f in found(r)]


def test_a_plane_with_its_back_to_the_sun_shows_how_bright_the_sky_is_and_not_the_site_s_level(
    roof: Callable[..., Roof],
) -> None:
    bare = roof(planes=2, days=2, ac_rated_w=1000, start=datetime(2026, 3, 4, tzinfo=UTC))
    north = replace(bare.site.planes[1], tilt_deg=60, azimuth_deg=350)
    bare = replace(bare, site=replace(bare.site, planes=(bare.site.planes[0], north)))
    low = covered(under(bare, np.ones(bare.grid.count)), 0.8)
    low.energy_wh[1::2] *= 1.5
    assert "site_low" in [f.cause for f in found(low)]


@pytest.mark.parametrize(("live", "is_low"), [(1, False), (4, True)])
def test_few_units_that_live_are_no_low_site(roof: Callable[..., Roof], live: int, is_low: bool) -> None:
    """The others die on the first of two mornings."""
    r = covered(roof(units=6, index=1.0, days=2, ac_rated_w=1000), 0.7)
    dead = np.arange(len(r.energy_wh)) >= live
    r = covered(r, np.where(dead[:, None] & (np.arange(r.grid.count) > r.grid.count // 5), 0.0, 1.0))
    assert ("site_low" in [f.cause for f in found(r)]) is is_low


def test_even_haze_is_no_low_site_where_other_hours_reach_what_is_usual(roof: Callable[..., Roof]) -> None:
    """The second day is as bright as a clear one but too restless to be told for one."""
    r = roof(index=1.0, days=2, interval_min=60, ac_rated_w=1000)
    haze = np.where(np.arange(48) < 24, 0.78, np.where(np.arange(48) % 2 == 0, 0.96, 1.06))
    assert "site_low" not in [f.cause for f in found(covered(r, haze))]


@pytest.mark.parametrize(("days", "open_to_haze"), [(1, True), (3, False)])
def test_on_one_day_dust_in_the_air_is_left_open(
    roof: Callable[..., Roof], days: int, open_to_haze: bool
) -> None:
    (low,) = found(covered(roof(index=1.0, days=days, ac_rated_w=1000), 0.7))
    assert ("Dust or haze" in low.evidence) is open_to_haze
    assert (low.confidence <= 0.8) is open_to_haze


@pytest.mark.parametrize("interval_min", [30, 60])
@pytest.mark.parametrize(("share", "is_low"), [(0.6, True), (0.7, True), (0.95, False)])
def test_a_clear_day_whose_curve_is_bent_has_a_level_though_no_hour_is_flat(
    roof: Callable[..., Roof], interval_min: int, share: float, is_low: bool
) -> None:
    whole = roof(index=1.0, interval_min=interval_min, planes=2, ac_rated_w=1000)
    at = np.arange(whole.grid.count) * interval_min / 60
    bent = covered(whole, share * (1 + 0.06 * np.abs(at - 12.3)))
    result = verify(bent.site, bent.readings())
    low = [f for f in result.findings if f.cause == "site_low"]
    assert bool(low) is is_low
    assert result.sky.clear_share is not None
    assert result.sky.clear_share > LEAST_CLEAR
    assert all(f.details["factor"] == pytest.approx(share, abs=0.06) for f in low)


def test_hours_that_jump_as_between_clouds_are_no_clear_sky_s(roof: Callable[..., Roof]) -> None:
    r = roof(index=1.0, interval_min=60, planes=2, ac_rated_w=1000)
    share = np.full(r.grid.count, 0.7)
    share[6:18] = 0.92, 0.8, 0.82, 0.74, 0.81, 0.54, 0.7, 0.7, 0.68, 0.66, 0.94, 0.62
    clouded = covered(r, share)
    told = site_low.told_level(build_case(clouded.site, clouded.readings()))
    assert told is not None
    assert min(told.sure, told.clear_h) > site_low.TOLD_CLEAR_H
    assert not found(clouded)


@pytest.mark.parametrize(("planes", "month"), [(1, 3), (2, 3), (1, 5), (2, 9)])
@pytest.mark.parametrize("turbidity", [6.0, 7.0])
def test_a_clear_day_s_haze_is_no_low_site(
    roof: Callable[..., Roof], planes: int, month: int, turbidity: float
) -> None:
    """Three or four units of Linke's turbidity above the month's: it takes the more the lower the sun."""
    start = datetime(2026, month, 14, tzinfo=UTC)
    assert found(in_air(roof(planes=planes, index=1.0, ac_rated_w=1000, start=start), turbidity)) == []


@pytest.mark.parametrize(("turbidity", "is_open"), [(4.0, False), (7.0, True)])
def test_what_haze_may_explain_of_a_low_site_is_left_open(
    roof: Callable[..., Roof], turbidity: float, is_open: bool
) -> None:
    r = in_air(roof(index=1.0, ac_rated_w=1000), turbidity)
    assert ("site_low" in [u.cause for u in verify(r.site, r.readings()).not_yet]) is is_open


@pytest.mark.parametrize(
    ("level", "sure", "in_any_air", "clear_h", "flat_h", "fits"),
    [
        (0.6, 12.0, 12.0, 6.0, 6.0, True),
        (0.6, 6.8, 9.1, 6.0, 6.0, False),  # it takes clearer air, too
        (0.55, 2.5, 11.7, 6.0, 6.0, True),  # lower than all levels that are tried
        (0.6, 30.0, 1.8, 6.0, 6.0, False),  # haze does as well
        (0.6, 42.0, 56.0, 0.0, 8.0, True),
        (0.6, 42.0, 56.0, 0.0, 0.7, False),
        (0.6, 15.8, 16.1, 0.0, 4.7, False),
    ],
)
def test_a_deep_level_is_a_clear_sky_s_where_the_light_fits_it_in_the_model_s_air_and_in_any(
    level: float, sure: float, in_any_air: float, clear_h: float, flat_h: float, fits: bool
) -> None:
    told = ToldLevel(level, sure, in_any_air, level, in_any_air, clear_h, beam_h=3.0, days=1)
    assert fits_clear(told, ClearLevel(0.62, flat_h, 1, np.ones(1, dtype=bool))) is fits


@pytest.mark.parametrize(
    ("level", "fits", "days", "said"),
    [
        (0.906, 0.85, 3, False),
        (0.85, 0.85, 3, True),
        (0.766, 0.6, 1, False),
        (0.72, 0.65, 1, True),
    ],
)
def test_gaps_that_stand_as_high_as_usual_or_elsewhere_than_the_light_fits_are_no_low_site_s(
    roof: Callable[..., Roof],
    monkeypatch: pytest.MonkeyPatch,
    level: float,
    fits: float,
    days: int,
    said: bool,
) -> None:
    case = between_clouds(roof(index=1.0, days=days), fits)
    gaps = ClearLevel(level, 5.0, days, np.ones(len(case.day.positions), dtype=bool))
    monkeypatch.setattr(site_low, "clear_level", lambda _: None)
    monkeypatch.setattr(site_low, "between_clouds", lambda _: gaps)
    monkeypatch.setattr(
        site_low, "told_level", lambda _: ToldLevel(fits, 38.0, 5.8, fits, 5.8, 0.0, 34.0, days)
    )
    assert bool(site_low.find(case, frozenset())) is said


@pytest.mark.parametrize(
    ("gaps_days", "level", "sure", "said"),
    [
        (1, 0.75, 12.0, True),
        (1, 0.75, 9.0, False),
        (1, 0.88, 12.0, False),
        (1, 0.6, 12.0, False),
        (2, 0.88, 9.0, True),
    ],
)
def test_the_plateau_of_one_day_s_gaps_is_the_site_s_where_the_light_of_several_days_fits_it(
    roof: Callable[..., Roof],
    monkeypatch: pytest.MonkeyPatch,
    gaps_days: int,
    level: float,
    sure: float,
    said: bool,
) -> None:
    case = between_clouds(roof(index=1.0, days=3), 0.75)
    gaps = ClearLevel(level, 0.5, gaps_days, np.ones(len(case.day.positions), dtype=bool))
    monkeypatch.setattr(site_low, "clear_level", lambda _: None)
    monkeypatch.setattr(site_low, "between_clouds", lambda _: gaps)
    monkeypatch.setattr(
        site_low, "told_level", lambda _: ToldLevel(0.8, sure, -3.0, 0.85, 0.5, 0.0, 8.0, days=3)
    )
    assert bool(site_low.find(case, frozenset())) is said


@pytest.mark.parametrize(
    ("level", "sure", "said"), [(0.65, 12.0, True), (0.6, 12.0, False), (0.55, 24.0, True)]
)
def test_a_level_as_low_as_a_closed_cover_s_must_be_surer(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, level: float, sure: float, said: bool
) -> None:
    assert said_of_a_day(monkeypatch, between_clouds(roof(index=1.0), level), level, sure) is said


@pytest.mark.parametrize(
    ("brightest", "veiled", "said"),
    [
        (0.7, 5.0, True),
        (0.95, 5.0, False),
        (0.7, -2.0, False),  # thin cloud does as well
    ],
)
def test_on_a_day_between_clouds_the_brightest_intervals_and_a_veil_must_bear_out_what_the_light_fits(
    roof: Callable[..., Roof],
    monkeypatch: pytest.MonkeyPatch,
    brightest: float,
    veiled: float,
    said: bool,
) -> None:
    case = between_clouds(roof(index=1.0), brightest)
    assert said_of_a_day(monkeypatch, case, 0.7, 12.0, veiled) is said


@pytest.mark.parametrize(
    ("interval_min", "sure", "veiled", "said"),
    [
        (5, 7.0, 5.0, True),
        (5, 7.0, 1.0, False),
        (5, 5.0, 5.0, False),
        (15, 7.0, 5.0, False),
        (15, 12.0, 9.0, True),
        (30, 12.0, 9.0, True),
        (15, 12.0, 8.0, False),
        (15, 10.0, 20.0, False),
        (60, 12.0, 9.0, False),
    ],
)
def test_a_level_that_fits_less_surely_is_told_in_gaps_if_brightest_intervals_and_a_veil_say_more(
    roof: Callable[..., Roof],
    monkeypatch: pytest.MonkeyPatch,
    interval_min: int,
    sure: float,
    veiled: float,
    said: bool,
) -> None:
    case = between_clouds(roof(index=1.0, interval_min=interval_min), 0.7)
    assert said_of_a_day(monkeypatch, case, 0.7, sure, veiled) is said


def test_without_passing_clouds_the_brightest_intervals_tell_nothing(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    thin = covered(roof(index=1.0), 0.7)
    assert not said_of_a_day(monkeypatch, build_case(thin.site, thin.readings()), 0.7, 12.0, 30.0)


def between_clouds(roof: Roof, level: float) -> Case:
    """Return the case of a site at a level under clouds and gaps of two intervals, beside bright clouds."""
    in_a_gap = np.arange(roof.grid.count) // 2 % 2 == 1
    clouded = covered(roof, level * np.where(in_a_gap, BY_CLOUDS, 0.4))
    return build_case(clouded.site, clouded.readings())


def said_of_a_day(
    monkeypatch: pytest.MonkeyPatch, case: Case, level: float, sure: float, veiled: float = 5.0
) -> bool:
    """Return whether a site is said to be low whose light fits that level so surely, and nothing else does."""
    monkeypatch.setattr(site_low, "clear_level", lambda _: None)
    monkeypatch.setattr(site_low, "between_clouds", lambda _: None)
    monkeypatch.setattr(site_low, "_some_are_usual", lambda *_: False)
    told = ToldLevel(level, sure, 5.0, level, veiled, 0.0, 4.0, days=1)
    monkeypatch.setattr(site_low, "told_level", lambda _: told)
    return bool(site_low.find(case, frozenset()))


@pytest.mark.parametrize(
    ("level", "sure", "in_any_air", "said"),
    [(0.89, 12.0, 0.5, True), (0.89, 10.0, 0.5, False), (0.89, 12.0, -0.1, False), (0.91, 12.0, 2.5, True)],
)
def test_hours_of_clear_sky_are_low_if_the_light_surely_says_so_in_the_model_s_own_air(
    roof: Callable[..., Roof],
    monkeypatch: pytest.MonkeyPatch,
    level: float,
    sure: float,
    in_any_air: float,
    said: bool,
) -> None:
    case = build_case((r := covered(roof(index=1.0), level)).site, r.readings())
    flat = ClearLevel(level, 1.5, 1, np.ones(len(case.day.positions), dtype=bool))
    monkeypatch.setattr(site_low, "clear_level", lambda _: flat)
    monkeypatch.setattr(site_low, "between_clouds", lambda _: None)
    monkeypatch.setattr(
        site_low, "told_level", lambda _: ToldLevel(0.85, sure, in_any_air, 0.85, in_any_air, 2.0, 3.0, 1)
    )
    findings = site_low.find(case, frozenset())
    assert bool(findings) is said
    assert all(("within the model's band" in f.evidence) is (level > LOW) for f in findings)


@pytest.mark.parametrize(
    ("flat_h", "sure", "in_any_air", "said"),
    [
        (0.5, 14.0, 4.0, True),
        (0.5, 9.5, 4.0, False),
        (0.5, 14.0, 1.0, False),  # haze does as well
        (0.25, 14.0, 4.0, False),
        (1.2, 9.5, 4.0, True),
    ],
)
def test_half_an_hour_of_even_light_counts_where_all_light_surely_fits_a_low_level(
    roof: Callable[..., Roof],
    monkeypatch: pytest.MonkeyPatch,
    flat_h: float,
    sure: float,
    in_any_air: float,
    said: bool,
) -> None:
    r = covered(roof(index=1.0, interval_min=15), 0.8)
    case = build_case(r.site, r.readings())
    flat = ClearLevel(0.8, flat_h, 1, np.ones(len(case.day.positions), dtype=bool))
    monkeypatch.setattr(site_low, "clear_level", lambda _: flat)
    monkeypatch.setattr(site_low, "between_clouds", lambda _: None)
    monkeypatch.setattr(
        site_low, "told_level", lambda _: ToldLevel(0.65, sure, in_any_air, 0.65, in_any_air, 0.0, 3.0, 1)
    )
    assert bool(site_low.find(case, frozenset())) is said


@pytest.mark.parametrize(("hours", "low"), [(0.6, False), (1.2, True)])
def test_flat_light_of_less_than_an_hour_in_days_whose_light_fits_no_low_level_is_a_cover_s(
    roof: Callable[..., Roof], hours: float, low: bool
) -> None:
    r = roof(index=1.0, days=2)
    case = build_case(r.site, r.readings())
    flat = ClearLevel(0.78, hours, 2, np.ones(len(case.day.positions), dtype=bool))
    assert site_low._is_low(case, flat, None) is low
