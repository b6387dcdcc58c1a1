"""Branches that trip, told by like units on other branches or by other planes' light; clouds that look like it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.sky import cloudy_sky
from service.verify.case import expectation
from service.verify.causes import voltage_trip
from service.verify.day import daylight
from service.verify.elsewhere import due
from service.verify.result import Finding
from service.verify.run import build_case, verify
from tests.verify.conftest import Roof

HOURS = (11.0, 11.75, 12.5, 13.25)


def on_branches(roof: Roof, names: str) -> Roof:
    """Return the roof with units on branches in turn; of two planes, two names are a branch a plane."""
    units = (replace(u, branch=names[i % len(names)]) for i, u in enumerate(roof.site.units))
    return replace(roof, site=replace(roof.site, units=tuple(units)))


def trips(roof: Roof) -> list[Finding]:
    return [f for f in verify(roof.site, roof.readings()).findings if f.cause == "voltage_trip"]


@pytest.mark.parametrize("left", [0.0, 0.5])
def test_a_branch_that_is_alone_on_its_plane_trips_while_the_other_plane_keeps_its_light(
    roof: Callable[..., Roof], left: float
) -> None:
    r = on_branches(roof(planes=2, index=0.95), "AB")
    for hour in HOURS:
        r.energy_wh[0::2, r.interval(hour)] *= left
    (found,) = trips(r)
    assert (found.branch, len(found.serials)) == ("A", 6)
    assert "4 times" in found.evidence


@pytest.mark.parametrize(("left", "count"), [(0.0, 1), (0.4, 0)])
def test_a_single_drop_out_counts_where_the_whole_branch_gives_nothing(
    roof: Callable[..., Roof], left: float, count: int
) -> None:
    r = on_branches(roof(index=0.95), "AB")
    r.energy_wh[0::2, r.interval(12)] *= left
    found = trips(r)
    assert len(found) == count
    assert all("dropped out together once" in f.evidence and f.confidence < 0.7 for f in found)


def test_clouds_that_pass_over_both_planes_are_no_trip(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(planes=2, index=0.95), "AB")
    for hour in HOURS:
        r.energy_wh[:, r.interval(hour)] *= 0.4
    assert trips(r) == []


def test_clouds_that_only_the_plane_in_the_sun_shows_are_no_trip(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(planes=2, index=0.95), "AB")
    day = daylight(r.site, r.grid, None)
    diffuse = expectation(day, cloudy_sky(day.sun, day.clear, index=0.95, diffuse_shift=1.0)).energy_wh
    clear = expectation(day, cloudy_sky(day.sun, day.clear, index=0.95)).energy_wh
    for hour in (8.5, 9.0, 9.5, 10.0):  # the west plane has hardly any beam yet
        at = r.interval(hour)
        here = int(np.flatnonzero(day.positions == at)[0])
        r.energy_wh[0::2, at] *= 0.35
        assert diffuse[1, here] > 0.9 * clear[1, here]
    assert trips(r) == []


def test_minutes_off_in_a_quarter_of_an_hour_show_against_like_units(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(index=0.95, interval_min=15), "AB")
    for hour in HOURS:
        r.energy_wh[0::2, r.interval(hour)] *= 1 - 2 / 15
    (found,) = trips(r)
    assert found.branch == "A"


def test_a_long_trip_may_touch_three_quarters_of_an_hour(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(index=0.95, interval_min=15), "AB")
    for hour in (11.0, 13.0):
        r.energy_wh[0::2, r.interval(hour) : r.interval(hour) + 3] *= (0.6, 0.0, 0.7)
    (found,) = trips(r)
    assert "2 times" in found.evidence


@pytest.mark.parametrize("minutes", [20, 90])
def test_a_shadow_on_a_branch_comes_at_the_same_time_every_day_and_is_no_trip(
    roof: Callable[..., Roof], minutes: int
) -> None:
    r = on_branches(roof(index=0.95, days=4), "AB")
    for day in range(4):
        first = r.interval(12.0, day)
        r.energy_wh[0::2, first : first + minutes // 5] *= 0.3
    assert trips(r) == []


def test_trips_of_which_two_fall_on_one_minute_by_chance_are_no_shadow(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(index=0.95, days=2), "AB")
    r.energy_wh[0::2, r.interval(0, 1) : r.interval(12.4, 1)] = np.nan
    r.energy_wh[1::2, r.interval(0, 1) : r.interval(12.4, 1)] = np.nan
    for day, hour in ((0, 10.5), (0, 11.25), (0, 12.5), (1, 12.5)):
        r.energy_wh[0::2, r.interval(hour, day) : r.interval(hour, day) + 2] *= 0.3
    assert [f.branch for f in trips(r)] == ["A"]


BEAT = (0.6, 0.35, 0.15, 0.1, 0.4, 0.1, 0.15, 0.55)
"""Shares left of half hours at high voltage, off for ten minutes and back for one or more."""


def _off_and_on_for_hours(roof: Callable[..., Roof], days: tuple[int, ...]) -> Roof:
    r = on_branches(roof(index=0.95, days=3, interval_min=30), "AB")
    for day in days:
        first = r.interval(10.0, day)
        r.energy_wh[0::2, first : first + len(BEAT)] *= np.roll(BEAT, day)
    return r


def test_a_branch_that_is_off_and_on_for_hours_trips_where_a_day_as_bright_leaves_it_alone(
    roof: Callable[..., Roof],
) -> None:
    (found,) = trips(_off_and_on_for_hours(roof, (0, 2)))
    assert (found.branch, len(found.serials)) == ("A", 6)


JUMPS = (0.6, 0.6, 0.8, 0.6, 0.4, 0.6) * 6
"""Shares left of five minutes at high voltage, off for a minute and back for as long as the voltage takes to rise."""


@pytest.mark.parametrize("interval_min", [5, 15])
def test_a_branch_that_no_interval_leaves_alone_jumps_as_one_while_the_light_stays(
    roof: Callable[..., Roof], interval_min: int
) -> None:
    r = on_branches(roof(index=0.95, interval_min=interval_min), "AB")
    noon = slice(r.interval(10.5), r.interval(13.5))
    hit, whole = r.energy_wh[0::2, noon], r.energy_wh[0::2, noon].sum()
    hit *= JUMPS[: hit.shape[1]]
    (found,) = trips(r)
    assert (found.branch, len(found.serials)) == ("A", 6)
    assert found.lost_wh == pytest.approx(whole - hit.sum(), rel=0.05)


def test_a_branch_at_its_ratings_beside_a_weak_unit_that_is_not_has_not_tripped(
    roof: Callable[..., Roof],
) -> None:
    r = on_branches(roof(index=0.95, ac_rated_w=230.0), "AAAAAAAAAAAB")
    whole = on_branches(roof(index=0.95), "AAAAAAAAAAAB").energy_wh
    whole[:, r.interval(10.0) : r.interval(14.0)] *= np.resize((0.85, 1.0, 0.95, 1.05, 0.9, 0.5), 48)
    whole[11] *= 0.67
    r.energy_wh[:] = np.minimum(whole, 230.0 * 5 / 60)
    assert trips(r) == []


@pytest.mark.parametrize("cloud", [False, True], ids=["trips", "clouds"])
def test_a_branch_that_is_off_in_the_afternoon_told_of_the_other_s_trips_before(
    roof: Callable[..., Roof], cloud: bool
) -> None:
    r = on_branches(roof(index=0.95, interval_min=15), "AB")
    for hour, left in ((10.5, 0.6), (10.75, 0.35), (12.0, 0.5), (13.0, 0.7)):
        r.energy_wh[0 :: 1 if cloud else 2, r.interval(hour)] *= left
    r.energy_wh[1::2, r.interval(14.0) :] = 0.0
    assert [f.branch for f in trips(r)] == ([] if cloud else ["A"])


@pytest.mark.parametrize(("later", "branches"), [(0, []), (3, ["A"])])
def test_jumps_that_come_again_with_the_sun_are_shade_through_gaps(
    roof: Callable[..., Roof], later: int, branches: list[str]
) -> None:
    r = on_branches(roof(index=0.95, days=3, interval_min=15), "AB")
    for day in range(3):
        noon = slice(r.interval(10.5, day), r.interval(13.5, day))
        r.energy_wh[0::2, noon] *= np.roll((0.6, 0.4, 0.8, 0.35, 0.3, 0.6) * 2, later * day)
    assert [f.branch for f in trips(r)] == branches


def test_a_shadow_that_comes_and_goes_once_for_a_whole_branch_is_no_trip(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(index=0.95), "AB")
    noon = slice(r.interval(10.5), r.interval(13.5))
    r.energy_wh[0::2, noon] *= np.concatenate(([0.8, 0.6], np.full(32, 0.4), [0.5, 0.7]))
    assert trips(r) == []


def test_posts_whose_shadows_pass_from_unit_to_unit_are_no_trip(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(index=0.95), "AB")
    for row in range(0, 12, 2):
        first = r.interval(10.5) + row // 2
        r.energy_wh[row, first : first + 36] *= (0.4, 0.4, 0.4, 0.8, 0.8, 0.8) * 6
    assert trips(r) == []


def test_a_branch_in_shade_between_clouds_that_all_see_is_no_trip(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(index=0.95), "AB")
    noon, clouds = slice(r.interval(10.5), r.interval(13.5)), np.resize(np.repeat((1.0, 0.35), 8), 36)
    r.energy_wh[:, noon] *= clouds
    r.energy_wh[0::2, noon] *= np.where(clouds == 1, 0.35, 0.95)
    assert trips(r) == []


def test_what_a_branch_that_trips_leaves_does_not_accuse_the_other(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(units=8, index=0.95, days=6, interval_min=60), "AAAB")
    ours = [i for i in range(8) if i % 4 < 3]
    for day in range(6):
        r.energy_wh[3::4, r.interval(9, day) : r.interval(12, day)] *= (0.4, 0.6, 0.5)
    for day in (0, 2, 4):
        r.energy_wh[ours, r.interval(13, day)] *= 0.85
    assert trips(r) == []


def test_what_is_due_of_a_branch_is_not_lowered_by_its_own_trips(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(index=0.95, days=2, interval_min=15), "ABB")
    lost = 0.0
    for day in range(2):
        strong = slice(r.interval(7, day), r.interval(16, day))
        hit = r.energy_wh[0::3, strong]
        lost += hit.sum()
        hit *= np.roll(JUMPS, day)
        lost -= hit.sum()
    (found,) = trips(r)
    assert (found.branch, found.lost_wh) == ("A", pytest.approx(lost, rel=0.1))


def test_what_takes_from_each_unit_of_a_branch_another_share_is_no_trip(roof: Callable[..., Roof]) -> None:
    r = _off_and_on_for_hours(roof, (0, 2))
    for row, share in zip(range(0, 12, 2), np.linspace(0.2, 1.0, 6), strict=True):
        hours = slice(r.interval(10.0), r.interval(14.0))
        whole = r.energy_wh[1, hours]
        r.energy_wh[row, hours] = (1 - share) * whole + share * r.energy_wh[row, hours]
        later = slice(r.interval(10.0, 2), r.interval(14.0, 2))
        r.energy_wh[row, later] = (1 - share) * r.energy_wh[1, later] + share * r.energy_wh[row, later]
    assert trips(r) == []


def test_a_limit_of_a_branch_is_no_trip(roof: Callable[..., Roof]) -> None:
    r = on_branches(roof(index=0.95, days=3, interval_min=30), "AB")
    for day in (0, 2):
        today = slice(r.interval(0, day), r.interval(23.5, day))
        r.energy_wh[0::2, today] = np.minimum(r.energy_wh[0::2, today], 0.7 * r.energy_wh.max())
    assert trips(r) == []


def test_three_units_elsewhere_of_which_one_is_on_another_plane_tell_no_trip(
    roof: Callable[..., Roof],
) -> None:
    r = on_branches(roof(units=10, planes=2, index=0.95), "AB")
    units = [replace(u, branch="C" if i in (7, 9) else u.branch) for i, u in enumerate(r.site.units)]
    r = replace(r, site=replace(r.site, units=tuple(units)))
    r.energy_wh[5] = r.energy_wh[4]  # recorded on the west plane, it stands on the south one
    for hour in (10.5, 11.0, 11.5):  # where the two others contradict each other, it is not to be believed
        r.energy_wh[1, r.interval(hour)] *= 0.93
        r.energy_wh[3, r.interval(hour)] *= 1.02
    assert trips(r) == []


@pytest.mark.parametrize("strays", [True, False], ids=["on the other plane", "where it is recorded"])
def test_an_only_like_unit_elsewhere_tells_of_a_branch_unless_it_lies_on_another_plane(
    roof: Callable[..., Roof], *, strays: bool
) -> None:
    r = on_branches(roof(planes=2, days=2, index=0.95), "AB")
    units = (replace(r.site.units[0], branch="B"), *r.site.units[1:])
    r = replace(r, site=replace(r.site, units=units))
    if strays:
        r.energy_wh[0] = r.energy_wh[1]
    rows = [i for i, u in enumerate(units) if u.branch == "A"]
    assert due(build_case(r.site, r.readings()), rows).by_like.any() != strays


@pytest.mark.parametrize("with_it", [True, False])
def test_a_unit_that_like_ones_tell_of_drops_out_with_its_branch_or_nothing_has(
    roof: Callable[..., Roof], *, with_it: bool
) -> None:
    r = on_branches(roof(planes=2, index=0.95), "AB")
    units = (*r.site.units[:1], replace(r.site.units[1], branch="A"), *r.site.units[2:])
    r = replace(r, site=replace(r.site, units=units))
    for hour in HOURS:
        r.energy_wh[[0, 2, 4, 6, 8, 10, *([1] if with_it else [])], r.interval(hour)] *= 0.6
    assert len(trips(r)) == with_it


@pytest.mark.parametrize(("left", "count"), [(0.4, 1), (0.7, 0)])
def test_deep_dips_are_weighed_where_units_elsewhere_tell_of_them(
    roof: Callable[..., Roof], left: float, count: int
) -> None:
    r = on_branches(roof(planes=2, index=0.95, days=4), "AB")
    for day in range(4):  # the other plane is heard around noon on the first two days only
        r.energy_wh[1::2, r.interval(0, day) : r.interval(11 if day < 2 else 23, day)] = np.nan
        r.energy_wh[1::2, r.interval(14, day) : r.interval(23, day)] = np.nan
    for day, hour in ((0, 11.75), (1, 13.0)):
        r.energy_wh[0::2, r.interval(hour, day)] *= left
    assert len(trips(r)) == count


@pytest.mark.parametrize(("cloudy", "count"), [(0.3, 1), (0.05, 0)], ids=["a cloud after it", "a storm"])
def test_a_whole_site_that_gives_nothing_before_a_cloud_has_tripped(
    roof: Callable[..., Roof], cloudy: float, count: int
) -> None:
    r = on_branches(roof(index=0.95), "A")
    for hour in (11.0, 13.5):
        at = r.interval(hour)
        r.energy_wh[:, at] = 0.0
        r.energy_wh[:, at + 1 : at + 13] *= cloudy
    assert len(trips(r)) == count


@pytest.mark.parametrize(("hours", "count"), [((12.0,), 0), ((11.25, 12.5), 1)], ids=["once", "twice"])
def test_what_a_dark_cloud_leaves_of_a_low_sun_moves_no_register(
    roof: Callable[..., Roof], hours: tuple[float, ...], count: int
) -> None:
    r = on_branches(roof(index=0.95, start=datetime(2026, 12, 14, tzinfo=UTC)), "A")
    r.energy_wh[:] = np.round(r.energy_wh)
    for hour in hours:
        at = r.interval(hour)
        r.energy_wh[:, at : at + 3] = 0.0
    assert len(trips(r)) == count


@pytest.mark.parametrize(("index", "count"), [(0.95, 1), (0.7, 0)], ids=["between sun", "under cloud"])
def test_no_cloud_between_sun_leaves_a_register_still_for_half_an_hour(
    roof: Callable[..., Roof], index: float, count: int
) -> None:
    r = on_branches(roof(index=index, start=datetime(2026, 12, 14, tzinfo=UTC)), "A")
    r.energy_wh[:] = np.round(r.energy_wh)
    r.energy_wh[:, r.interval(12.0) : r.interval(12.5)] = 0.0
    assert len(trips(r)) == count


@pytest.mark.parametrize(
    ("left", "index", "minutes", "count"),
    [
        ((0.0, 0.05), 0.95, 5, 1),
        ((0.0, 0.3), 0.95, 5, 0),
        ((0.05, 0.1), 0.5, 5, 0),
        ((0.05, 0.05), 0.95, 1, 0),
    ],
    ids=["darker than clouds", "as a cloud", "without sun", "a minute's cloud"],
)
def test_a_whole_site_has_less_light_between_sun_than_any_cloud_leaves(
    roof: Callable[..., Roof], left: tuple[float, ...], index: float, minutes: int, count: int
) -> None:
    r = on_branches(roof(index=index, interval_min=minutes), "AB")
    for hour, share in zip((11.25, 12.5), left, strict=True):
        r.energy_wh[:, r.interval(hour)] *= share
    assert len(trips(r)) == count


@pytest.mark.parametrize("sure", [True, False])
def test_beside_a_sure_dip_one_that_leaves_planes_apart_counts(roof: Callable[..., Roof], sure: bool) -> None:
    r = roof(planes=2, index=0.95)
    for hour, share in ((9.5, 0.0 if sure else 0.3), (8.75, 0.25)):
        r.energy_wh[:, r.interval(hour)] *= share
    assert ["2 times" in f.evidence for f in trips(r)] == [True] * sure


MORNING = tuple((day, hour) for day in (0, 1) for hour in (7.5, 8.0, 8.75, 9.25))


def test_a_site_that_falls_to_one_share_on_planes_that_the_sun_parts_has_tripped(
    roof: Callable[..., Roof],
) -> None:
    r = roof(planes=2, days=2, index=0.95, interval_min=15)
    for n, (day, hour) in enumerate(MORNING):
        r.energy_wh[:, r.interval(hour, day)] *= (0.06, 0.13, 0.3)[n % 3]
    (found,) = trips(r)
    assert (found.branch, len(found.serials)) == (None, 12)


@pytest.mark.parametrize(("least", "count"), [(0.2, 0), (0.0, 1)], ids=["a cloud's edge", "nothing"])
def test_in_short_intervals_a_site_of_planes_that_trips_gives_nothing(
    roof: Callable[..., Roof], least: float, count: int
) -> None:
    r = roof(planes=2, days=2, index=0.95)
    for n, (day, hour) in enumerate(MORNING):
        r.energy_wh[:, r.interval(hour, day)] *= max(least, (0.0, 0.2, 0.3)[n % 3])
    assert len(trips(r)) == count


@pytest.mark.parametrize("index", [0.06, 0.15, 0.35])
def test_dark_clouds_that_bring_planes_together_are_no_trip(roof: Callable[..., Roof], index: float) -> None:
    r, dark = (roof(planes=2, days=2, index=i, interval_min=15) for i in (0.95, index))
    for day, hour in MORNING:
        r.energy_wh[:, r.interval(hour, day)] = dark.energy_wh[:, r.interval(hour, day)]
    assert trips(r) == []


def test_a_site_held_at_one_level_has_not_tripped(roof: Callable[..., Roof]) -> None:
    r = roof(planes=2, days=2, index=0.95, interval_min=15)
    total = r.energy_wh.sum(axis=0)
    r.energy_wh *= np.minimum(1.0, 0.2 * total.max() / np.maximum(total, 1e-9))
    assert trips(r) == []


@pytest.mark.parametrize(("living", "count"), [(1, 0), (3, 1)])
def test_an_only_living_unit_that_is_not_heard_for_moments_is_no_site_that_trips(
    roof: Callable[..., Roof], living: int, count: int
) -> None:
    """Dead ones beside it are heard, and give nothing as ever; of three that live two tell it without the third."""
    r = roof(units=6, index=1.0)
    r.energy_wh[living:, r.interval(8) : r.interval(15)] = 0.0
    for hour in HOURS:
        r.energy_wh[:living, r.interval(hour)] = 0.0
        r.energy_wh[0, r.interval(hour)] = np.nan
    assert len(trips(r)) == count


@pytest.mark.parametrize(("left", "dips"), [(1.0, False), (0.5, True)])
def test_like_units_tell_of_a_branch_that_the_model_leaves_in_the_dark(
    roof: Callable[..., Roof], left: float, dips: bool
) -> None:
    r = on_branches(roof(index=0.9), "AAB")
    rows, noon = [i for i, u in enumerate(r.site.units) if u.branch == "A"], r.interval(12)
    r.energy_wh[rows, noon] *= left
    case = build_case(r.site, r.readings())
    untold = np.full((len(rows), len(case.day.positions)), np.nan)
    told = voltage_trip._dip_by_like(case, rows, untold, np.ones(len(rows), dtype=bool))
    assert told[case.day.positions == noon].tolist() == [dips]
