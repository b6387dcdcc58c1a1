"""Sites of the benchmark whose own cause was once missed on a day of clouds, and what is to be told from them."""

from __future__ import annotations

import pytest

from service.verify.angles import azimuths_apart_deg
from service.verify.result import Finding
from service.verify.run import verify
from tests.bench.fleet import site
from tests.bench.fleet.plan import Window
from tests.bench.fleet.score import NEVER_OF_UNITS


def _said(seed: int, window: Window = "1d") -> list[Finding]:
    made = site(seed, window)
    return [f for f in verify(made.site, made.readings).findings if f.cause in NEVER_OF_UNITS]


@pytest.mark.parametrize("seed", [116, 293], ids=["broken clouds", "hours of clouds"])
def test_a_limit_shows_by_the_readings_that_it_stops(seed: int) -> None:
    (found,) = _said(seed)
    truth = site(seed, "1d").site_fault
    assert truth is not None
    assert found.cause == truth.cause == "curtailed"


@pytest.mark.parametrize("seed", [298, 1178], ids=["a darker noon", "shade beside it"])
def test_what_the_strong_hours_of_a_darker_sky_crowd_at_is_no_limit(seed: int) -> None:
    assert _said(seed) == []


@pytest.mark.parametrize("seed", [12007, 12232])
def test_one_of_seven_dull_days_that_crowds_at_an_edge_shows_no_limit(seed: int) -> None:
    assert _said(seed, "7d") == []


def test_a_limit_of_a_week_shows_by_the_readings_that_it_stops_on_one_day() -> None:
    assert [f.cause for f in _said(15091, "7d")] == ["curtailed"]


def test_a_clock_is_told_between_clouds_by_planes_that_face_apart() -> None:
    (found,) = _said(874)
    truth = site(874, "1d").site_fault
    assert truth is not None
    assert found.cause == truth.cause == "clock_shift"
    assert found.details["minutes"] == pytest.approx(
        truth.minutes, abs=5
    )  # readings come every quarter of an hour


def test_a_closed_cover_that_a_clock_seems_to_move_is_none() -> None:
    assert _said(984) == []


@pytest.mark.parametrize("seed", [561, 1701], ids=["an azimuth", "a tilt"])
def test_a_plane_is_told_by_gaps_between_clouds(seed: int) -> None:
    (found,) = _said(seed)
    truth = site(seed, "1d").site_fault
    assert truth is not None
    assert truth.cause == found.cause == "plane_misdescribed"
    assert found.details["azimuth_deg"] == pytest.approx(truth.azimuth_deg, abs=5)
    assert found.details["tilt_deg"] == pytest.approx(truth.tilt_deg, abs=5)


@pytest.mark.parametrize("seed", [219, 1219], ids=["like the other plane", "a dull day"])
def test_what_would_face_as_another_plane_is_not_told_by_gaps(seed: int) -> None:
    assert _said(seed) == []


@pytest.mark.parametrize(
    "seed",
    [72068, 70201, 71364, 71494],
    ids=["away from the sun", "by few intervals alike", "in little sun", "as another plane"],
)
def test_a_plane_of_several_is_told_by_a_week(seed: int) -> None:
    (found,) = _said(seed, "7d")
    truth = site(seed, "7d").site_fault
    assert truth is not None
    assert truth.cause == found.cause == "plane_misdescribed"
    assert found.plane == truth.plane
    assert azimuths_apart_deg(found.details["azimuth_deg"], truth.azimuth_deg or 0.0) < 5
    assert "also_explained_by" not in found.details


def test_a_plane_of_two_units_that_has_the_curve_of_another_says_that_they_may_lie_there() -> None:
    (found,) = _said(72305, "7d")
    truth = site(72305, "7d").site_fault
    assert truth is not None
    assert truth.cause == found.cause == "plane_misdescribed"
    assert found.details["also_explained_by"] == "wrong_plane"
    assert "modules that lie on front" in str(found.evidence)
    assert str(found.advice).startswith("Look whether the modules recorded on back lie on front")
    assert found.confidence <= 0.7


@pytest.mark.parametrize(
    "seed", [70881, 71641], ids=["in quarters of an hour", "beside a clear hour of one day at the same level"]
)
def test_a_low_site_shows_in_the_gaps_of_a_week(seed: int) -> None:
    (found,) = _said(seed, "7d")
    truth = site(seed, "7d").site_fault
    assert truth is not None
    assert truth.cause == found.cause == "site_low"
