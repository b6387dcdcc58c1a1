"""Shade over a whole plane against clouds: by its return, by what is beside it, and by the other planes.

Where the beam is taken the light is worked out by hand from pvlib-made irradiance behind a wall, which is what a hill
does; that the judgement holds on another engine's hills and houses is what the benchmark of fleets shows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.energy import unit_groups
from service.expect.site import Plane
from service.expect.sky import cloudy_sky
from service.verify import shade_odds
from service.verify.case import expectation
from service.verify.common_shade import NEEDED, PlaneShade, behind
from service.verify.day import daylight
from service.verify.result import Finding
from service.verify.run import build_case, verify
from service.verify.shade_beside import Beside
from tests.verify.conftest import Roof

DAYS = 5
MORNING = (95.0, 125.0)
LATE_WINTER = datetime(2026, 2, 16, tzinfo=UTC)


def shaded(roof: Roof, planes: str, azimuths: tuple[float, float], index: np.ndarray | float = 1.0) -> Roof:
    """Return the roof with a wall before the planes named, under a sky of clear-sky indices (T,) or one for all."""
    nowhere = np.zeros(0, dtype=bool)
    site = behind(roof.site, tuple(PlaneShade(p, azimuths, nowhere, 0, 0.0) for p in planes.split()))
    day = replace(daylight(roof.site, roof.grid, None), site=site, groups=unit_groups(site))
    index = np.broadcast_to(index, roof.grid.count)[day.positions]
    energy = np.zeros(roof.energy_wh.shape)
    sky = cloudy_sky(day.sun, day.clear, index=day.on_steps(index))
    energy[:, day.positions] = expectation(day, sky).energy_wh
    noise = 1 + 0.01 * np.random.default_rng(7).standard_normal(energy.shape)
    return replace(roof, energy_wh=energy * noise)


def findings(roof: Roof) -> tuple[Finding, ...]:
    return tuple(f for f in verify(roof.site, roof.readings()).findings if f.is_fault)


def spells(roof: Roof, dark: list[tuple[float, float]]) -> np.ndarray:
    """Return clear-sky indices (T,): clear but for one spell of hours (UTC) on each day."""
    index = np.full(roof.grid.count, 1.0)
    for day, (begin, end) in enumerate(dark):
        index[roof.interval(begin, day) : roof.interval(end, day)] = 0.2
    return index


def test_a_hill_before_the_only_plane_is_named_for_all_its_units(roof: Callable[..., Roof]) -> None:
    hidden = shaded(roof(units=8, days=DAYS), "south", MORNING)
    found = findings(hidden)
    assert [f.cause for f in found] == ["shaded"]
    assert len(found[0].serials) == 8
    assert found[0].plane == "south"


@pytest.mark.parametrize("index", [1.0, 0.2], ids=["clear", "overcast"])
def test_a_hill_that_leaves_a_day_s_first_hour_dark_is_named_in_hours(
    roof: Callable[..., Roof], index: float
) -> None:
    hidden = shaded(roof(units=8, days=DAYS, interval_min=60), "south", (60.0, 95.0), index)
    open_roof = shaded(roof(units=8, days=DAYS, interval_min=60), "south", (0.0, 1.0), index)
    assert [f.cause for f in findings(hidden)] == (["shaded"] if index == 1.0 else [])
    assert findings(open_roof) == ()


def test_its_place_is_told_within_a_bin_of_solar_time(roof: Callable[..., Roof]) -> None:
    hidden = shaded(roof(units=8, days=DAYS), "south", MORNING)
    (shade,) = build_case(hidden.site, hidden.readings()).shades
    assert shade.azimuths_deg == pytest.approx(MORNING, abs=4)
    assert shade.days == DAYS


def test_what_it_takes_is_counted_against_the_open_sky(roof: Callable[..., Roof]) -> None:
    open_roof = shaded(roof(units=8, days=DAYS), "south", (0.0, 1.0))
    hidden = shaded(roof(units=8, days=DAYS), "south", MORNING)
    lost = open_roof.energy_wh.sum() - hidden.energy_wh.sum()
    (found,) = findings(hidden)
    assert found.lost_wh == pytest.approx(lost, rel=0.15)


@pytest.mark.parametrize("level", [0.5, 0.65])
@pytest.mark.parametrize("planes", [1, 2])
def test_a_hill_before_a_low_site_is_told_by_its_sun_at_that_level(
    roof: Callable[..., Roof], planes: int, level: float
) -> None:
    hidden = shaded(roof(units=8, planes=planes, days=DAYS, ac_rated_w=1000), "south", MORNING)
    low = replace(hidden, energy_wh=hidden.energy_wh * level)
    found = {f.cause: f for f in findings(low)}
    assert set(found) == {"site_low", "shaded"}
    assert found["shaded"].plane == "south"


@pytest.mark.parametrize("level", [0.5, 0.65])
def test_a_low_site_s_own_sun_is_no_shade(roof: Callable[..., Roof], level: float) -> None:
    bare = shaded(roof(units=8, planes=2, days=DAYS, ac_rated_w=1000), "south", (0.0, 1.0))
    assert [f.cause for f in findings(replace(bare, energy_wh=bare.energy_wh * level))] == ["site_low"]


def test_clouds_that_do_not_come_back_at_the_same_hour_accuse_nobody(roof: Callable[..., Roof]) -> None:
    bare = roof(units=8, days=DAYS)
    index = spells(bare, [(7, 9), (10, 12), (13, 15), (8.5, 10.5), (15, 16.5)])
    assert findings(shaded(bare, "south", (0.0, 1.0), index)) == ()


def test_a_cloudy_hour_on_one_day_accuses_nobody(roof: Callable[..., Roof]) -> None:
    bare = roof(units=8)
    assert findings(shaded(bare, "south", (0.0, 1.0), spells(bare, [(7, 9)]))) == ()


def test_a_single_day_without_the_loss_acquits(roof: Callable[..., Roof]) -> None:
    bare = roof(units=8, days=3)
    index = spells(bare, [(7, 9), (7, 9), (0, 0)])
    assert findings(shaded(bare, "south", (0.0, 1.0), index)) == ()


def test_a_day_at_its_limit_has_the_sun_and_acquits(roof: Callable[..., Roof]) -> None:
    bare = roof(units=8, days=4, ac_rated_w=500)
    made = shaded(bare, "south", (0.0, 1.0), spells(bare, [(11, 13), (11, 13), (11, 13), (0, 0)]))
    limited = replace(made, energy_wh=np.minimum(made.energy_wh, 0.92 * made.energy_wh.max()))
    assert build_case(limited.site, limited.readings()).shades == ()


def test_a_house_before_one_plane_shows_on_one_day_since_the_other_plane_sees_the_sun(
    roof: Callable[..., Roof],
) -> None:
    hidden = shaded(roof(units=12, planes=2), "west", (200.0, 235.0))
    found = findings(hidden)
    west = {u.serial for u in hidden.site.units if u.plane == "west"}
    assert [(f.cause, f.plane) for f in found] == [("shaded", "west")]
    assert set(found[0].serials) == west


@pytest.mark.parametrize(
    ("wall", "evening", "said"), [(215.0, 1.0, True), (0.0, 1.0, False), (0.0, 0.2, False)]
)
def test_what_thin_cloud_blurs_the_edge_of_is_told_by_the_other_plane_s_sun(
    roof: Callable[..., Roof], wall: float, evening: float, said: bool
) -> None:
    bare = roof(units=12, planes=2)
    index = np.full(bare.grid.count, 1.0)
    index[bare.interval(11.5) : bare.interval(14.5)] = 0.6
    index[bare.interval(14.5) :] = evening
    found = findings(shaded(bare, "west", (wall, wall + 85 if said else 1.0), index))
    assert [(f.cause, f.plane) for f in found] == ([("shaded", "west")] if said else [])


def test_less_is_asked_of_a_plane_where_another_already_stands_in_shade(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = roof(units=8, planes=2, days=DAYS)
    both = shaded(bare, "south west", (190.0, 230.0))
    monkeypatch.setattr(Beside, "also_shaded", lambda *_: False)
    monkeypatch.setattr(shade_odds, "LIKELIER", np.inf)
    both.energy_wh[::2, both.interval(0, DAYS - 2) :] = np.nan  # south is heard for fewer days
    odds = {s.plane: s.log_odds for s in build_case(both.site, both.readings()).shades}
    assert NEEDED < odds["south"] < odds["west"]
    monkeypatch.setattr("service.verify.common_shade.NEEDED", np.mean([*odds.values()]))
    assert {s.plane for s in build_case(both.site, both.readings()).shades} == {"south", "west"}
    monkeypatch.setattr("service.verify.common_shade.NEEDED_BESIDE", np.mean([*odds.values()]))
    assert {s.plane for s in build_case(both.site, both.readings()).shades} == {"west"}


def test_the_sun_of_another_plane_shows_what_ends_in_weak_light(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = roof(units=12, planes=2, days=7, interval_min=15, start=LATE_WINTER)
    site = replace(bare.site, planes=(bare.site.planes[0], Plane("west", 45, 320)))
    gaps = np.random.default_rng(3).choice([1.0, 0.45, 1.0], size=bare.grid.count // 2).repeat(2)
    both = shaded(replace(bare, site=site), "south west", (222.0, 300.0), gaps)
    monkeypatch.setattr(Beside, "also_shaded", lambda *_: False)
    assert {s.plane for s in build_case(both.site, both.readings()).shades} == {"south", "west"}


@pytest.mark.parametrize(("azimuths", "said"), [((160.0, 169.0), False), (MORNING, True)])
def test_more_is_asked_of_a_span_that_the_sun_passes_within_the_hour(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, azimuths: tuple[float, float], said: bool
) -> None:
    hidden = shaded(roof(units=8, days=DAYS), "south", azimuths)
    (shade,) = build_case(hidden.site, hidden.readings()).shades
    monkeypatch.setattr("service.verify.common_shade.NEEDED_NARROW", shade.log_odds + 1)
    monkeypatch.setattr(shade_odds, "LIKELIER", np.inf)
    assert bool(findings(hidden)) == said


def test_a_dead_unit_behind_a_hill_is_named_for_what_it_is(roof: Callable[..., Roof]) -> None:
    hidden = shaded(roof(units=8, days=DAYS), "south", MORNING)
    hidden.energy_wh[3] = 0.0
    by_cause = {f.cause: f.serials for f in findings(hidden)}
    assert by_cause["no_output"] == (hidden.site.units[3].serial,)
    assert hidden.site.units[3].serial not in by_cause["shaded"]
    assert len(by_cause["shaded"]) == 7


def test_a_plane_with_its_back_to_what_shades_two_others_is_told_of_and_not_named(
    roof: Callable[..., Roof],
) -> None:
    two = roof(units=12, planes=2, days=DAYS)
    planes = (*two.site.planes, Plane("back", 60, 30))
    units = [replace(u, plane=planes[i % 3].name) for i, u in enumerate(two.site.units)]
    bare = replace(two, site=replace(two.site, planes=planes, units=tuple(units)))
    found = findings(shaded(bare, "south west", (195.0, 230.0)))
    assert {f.plane for f in found} == {"south", "west"}
    assert all("before the whole site" in f.evidence for f in found)


def test_fog_that_burns_off_within_the_same_half_hour_twice_is_no_wall(roof: Callable[..., Roof]) -> None:
    r = roof(units=8, days=DAYS, interval_min=30, index=0.97)
    for day in range(DAYS):
        out = r.interval(9.0, day) if day in (1, 3) else r.interval(23.5, day)
        r.energy_wh[:, r.interval(0, day) : out] *= 0.2
        r.energy_wh[:, out] *= 0.5
    assert findings(r) == ()


@pytest.mark.parametrize("planes", [1, 2])
def test_fog_that_is_alike_on_each_morning_and_lifts_at_another_hour_is_no_wall(
    roof: Callable[..., Roof], planes: int
) -> None:
    bare = roof(units=8, planes=planes, days=7)
    index = spells(bare, [(0.0, lifts) for lifts in (10.5, 8.5, 11.0, 9.3, 12.0, 10.0, 8.0)])
    assert findings(shaded(bare, "south", (0.0, 1.0), np.where(index < 1, 0.35, 1.0))) == ()


def test_overcast_days_accuse_nobody(roof: Callable[..., Roof]) -> None:
    assert findings(shaded(roof(units=8, days=DAYS), "south", (0.0, 1.0), 0.2)) == ()


def fair_weather(roof: Roof) -> np.ndarray:
    """Return clear-sky indices (T,) of thin clouds: every day nearly alike, but never still."""
    chance = np.random.default_rng(5)
    of_day = np.repeat(chance.normal(0.8, 0.03, 7), roof.grid.count // 7)
    return np.clip(of_day + np.repeat(chance.normal(0, 0.05, roof.grid.count // 2), 2), 0.5, 1.0)


def dull_weather(roof: Roof) -> np.ndarray:
    """Return clear-sky indices (T,): closed covers, each day another, that wander by a third within the hour."""
    chance = np.random.default_rng(5)
    of_day = np.repeat(chance.uniform(0.2, 0.5, 7), roof.grid.count // 7)
    slow = np.repeat(chance.normal(0, 0.3, roof.grid.count // 12), 12)
    return np.clip(of_day * np.exp(slow), 0.1, 0.6)


def test_a_hill_that_leaves_a_week_no_sun_is_told_by_days_alike(roof: Callable[..., Roof]) -> None:
    bare = roof(units=8, days=7, start=LATE_WINTER)
    found = findings(shaded(bare, "south", (110.0, 250.0), fair_weather(bare)))
    assert [(f.cause, len(f.serials)) for f in found] == [("shaded", 8)]


def test_a_week_of_closed_covers_accuses_nobody(roof: Callable[..., Roof]) -> None:
    bare = roof(units=8, days=7, start=LATE_WINTER)
    assert findings(shaded(bare, "south", (0.0, 1.0), dull_weather(bare))) == ()


def test_a_horizon_on_record_is_kept_beside_the_found_shade(roof: Callable[..., Roof]) -> None:
    site = roof(units=2).site
    hill = replace(site.planes[0], horizon=((250.0, 10.0), (270.0, 20.0)))
    site = replace(site, planes=(hill,))
    walled = behind(site, (PlaneShade("south", (90.0, 100.0), np.zeros(0, dtype=bool), 1, 20.0),))
    horizon = dict(walled.planes[0].horizon)
    assert horizon[270.0] == 20.0
    assert horizon[100.05] == pytest.approx(20 - 10 * 190.05 / 340)  # linear from 270 round to 250
    assert horizon[90.0] == horizon[100.0] == 90.0


def test_an_interval_in_which_the_sun_passes_north_lies_at_north(roof: Callable[..., Roof]) -> None:
    south = replace(roof(units=2, interval_min=30).site, latitude=-33.9, longitude=18.4)
    grid = roof(units=2, interval_min=30).grid
    day = daylight(south, grid, None)
    fine = day.sun.azimuth_deg.reshape(-1, day.steps)
    across = (fine.max(axis=1) - fine.min(axis=1)) > 180
    assert across.any()
    assert all(min(a, 360 - a) < 15 for a in day.azimuth_deg[across])


@pytest.mark.parametrize("planes", ["south", "south west"])
def test_a_plane_that_saw_the_sun_is_not_behind_what_shades_another_whatever_the_light_says(
    roof: Callable[..., Roof], monkeypatch: pytest.MonkeyPatch, planes: str
) -> None:
    """Units of a plane that lose unlike shares look like a bright sky, by which its neighbour would have no beam."""
    monkeypatch.setattr(Beside, "also_shaded", lambda *_: True)
    hidden = shaded(roof(units=8, planes=2, days=DAYS), planes, (190.0, 230.0))
    assert {s.plane for s in build_case(hidden.site, hidden.readings()).shades} == set(planes.split())
