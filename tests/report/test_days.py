"""Curves cut into local days: over the same intervals, through changes of the clock, in any zone."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.report import days
from service.verify.result import Curves

LONDON = ZoneInfo("Europe/London")


def curves(start: datetime, interval_min: int, measured: dict, expected: dict) -> Curves:
    return Curves(interval_min, start, measured, expected)


def hours(start: datetime, count: int) -> Curves:
    return curves(start, 60, {"a": [1.0] * count}, {"a": [2.0] * count})


def test_days_are_local_days() -> None:
    series = days.unit_series(hours(datetime(2026, 5, 3, 23, tzinfo=UTC), 48), "a", LONDON)
    assert series.days == (date(2026, 5, 4), date(2026, 5, 5))
    assert series.minute[0] == 0
    assert [total.measured_wh for total in days.totals(series)] == [24, 24]


@pytest.mark.parametrize(
    ("start", "count", "lengths"),
    [
        # European Union directive 2000/84/EC: clocks change at 01:00 UTC on the last Sundays of March and October.
        (datetime(2026, 10, 24, 23, tzinfo=UTC), 49, [25, 24]),
        (datetime(2026, 3, 29, 0, tzinfo=UTC), 47, [23, 24]),
    ],
)
def test_a_change_of_the_clock_makes_a_longer_or_shorter_day(
    start: datetime, count: int, lengths: list[int]
) -> None:
    series = days.unit_series(hours(start, count), "a", LONDON)
    assert [total.measured_wh for total in days.totals(series)] == lengths


def test_a_zone_off_the_full_hour() -> None:
    start = datetime(2026, 5, 3, 18, 15, tzinfo=UTC)  # local midnight at +05:45
    series = days.unit_series(
        curves(start, 15, {"a": [1.0] * 96}, {"a": [1.0] * 96}), "a", ZoneInfo("Asia/Kathmandu")
    )
    assert series.days == (date(2026, 5, 4),)
    assert series.minute[-1] == 24 * 60 - 15


def test_expected_counts_only_where_a_value_was_heard() -> None:
    start = datetime(2026, 5, 4, tzinfo=UTC)
    held = curves(start, 60, {"a": [5.0, None, None, 5.0]}, {"a": [10.0, 10.0, 20.0, 10.0]})
    (total,) = days.totals(days.unit_series(held, "a", ZoneInfo("UTC")))
    assert (total.measured_wh, total.expected_wh, total.ratio) == (10, 20, 0.5)
    assert total.heard_share == pytest.approx(20 / 50)


def test_a_sum_leaves_out_what_was_not_heard_of_each() -> None:
    start = datetime(2026, 5, 4, tzinfo=UTC)
    held = curves(
        start,
        60,
        {"a": [5.0, 5.0, None], "b": [None, 4.0, None]},
        {"a": [6.0, 6.0, 6.0], "b": [6.0, 6.0, 6.0]},
    )
    series = days.sum_series(held, ["a", "b"], ZoneInfo("UTC"))
    np.testing.assert_array_equal(series.measured_wh, [5, 9, np.nan])
    np.testing.assert_array_equal(series.expected_wh, [6, 12, 0])


def test_a_unit_without_curves_is_silent() -> None:
    series = days.unit_series(hours(datetime(2026, 5, 4, tzinfo=UTC), 24), "none", LONDON)
    assert not np.isfinite(series.measured_wh).any()
    assert days.totals(series)[0].ratio is None
    assert days.totals(series)[0].heard_share == 0


def test_mean_profile_is_power_and_compares_like_with_like() -> None:
    start = datetime(2026, 5, 4, tzinfo=UTC)
    day_one, day_two = [10.0] * 24, [None] * 12 + [30.0] * 12
    held = curves(start, 60, {"a": day_one + day_two}, {"a": [20.0] * 24 + [40.0] * 24})
    profile = days.mean_profile(days.unit_series(held, "a", ZoneInfo("UTC")))
    assert profile.step_min == 60  # never finer than the readings
    np.testing.assert_allclose(profile.measured_w, [10] * 12 + [20] * 12)
    np.testing.assert_allclose(profile.expected_w, [20] * 12 + [30] * 12)


def test_day_profile_of_five_minutes_is_mean_power() -> None:
    start = datetime(2026, 5, 4, tzinfo=UTC)
    held = curves(start, 5, {"a": [10.0, 20.0] * 144}, {"a": [15.0] * 288})
    series = days.unit_series(held, "a", ZoneInfo("UTC"))
    profile = days.day_profile(series, date(2026, 5, 4), 30)
    np.testing.assert_allclose(profile.measured_w, 15 * 12)  # 15 Wh in 5 min is 180 W
    other = days.day_profile(series, date(2026, 5, 5), 30)
    assert np.isnan(other.measured_w).all()
    assert np.isnan(other.expected_w).all()


def test_light_is_whole_hours_around_what_is_expected() -> None:
    start = datetime(2026, 5, 4, tzinfo=UTC)
    expected = [0.0] * 24
    expected[6:18] = [1.0] * 12
    held = curves(start, 60, {"a": [0.0] * 24}, {"a": expected})
    series = days.unit_series(held, "a", ZoneInfo("UTC"))
    assert days.light_minutes([series]) == (6 * 60, 18 * 60)
    assert days.light_minutes([]) == (6 * 60, 18 * 60)


def test_no_curves_no_days() -> None:
    empty = curves(datetime(2026, 5, 4, tzinfo=UTC), 5, {}, {})
    assert days.totals(days.sum_series(empty, [], LONDON)) == []
