"""Which end of their intervals labels are, on simulated roofs (`tests/fleet`: other physics than the service's)."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from service.expect.site import Site
from service.verify.inputs import Readings
from service.verify.interval_end import ShownEnd, shown_end
from tests.fleet.simulate import make_site


def _shown(seed: int, *, sky: str, interval_min: int, is_end: bool, turn: float = 0.0) -> ShownEnd | None:
    """Return what is shown of labels at starts or ends, by a record whose azimuths are off by `turn`."""
    made = make_site(seed, sky=sky, days=3, units=6, faults=(), interval_min=interval_min)
    return shown_end(_turned(made.site, turn), _labelled(made.readings, is_end=is_end))


def _turned(site: Site, turn: float) -> Site:
    planes = tuple(replace(p, azimuth_deg=(p.azimuth_deg + turn) % 360) for p in site.planes)
    return replace(site, planes=planes)


def _labelled(readings: Readings, *, is_end: bool) -> Readings:
    late = timedelta(minutes=readings.interval_min if is_end else 0)
    return replace(readings, start=readings.start + late)


def test_clear_days_show_the_end_of_half_an_hour() -> None:
    ends = [(seed, is_end) for seed in range(61, 67) for is_end in (False, True)]
    shown = [_shown(seed, sky="clear", interval_min=30, is_end=is_end) for seed, is_end in ends]
    told = [(one, is_end) for one, (_, is_end) in zip(shown, ends, strict=True) if one is not None]
    assert all(one.is_sure and one.is_end == is_end for one, is_end in told)
    assert len(told) >= len(ends) / 2


def test_quarter_of_an_hour_is_likely_and_never_sure() -> None:
    shown = [_shown(seed, sky="clear", interval_min=15, is_end=True) for seed in (61, 62, 63)]
    told = [one for one in shown if one is not None]
    assert told
    assert all(one.is_end and not one.is_sure for one in told)


def test_closed_cover_and_short_intervals_show_nothing() -> None:
    assert _shown(61, sky="overcast", interval_min=30, is_end=True) is None
    assert _shown(61, sky="clear", interval_min=5, is_end=True) is None


def test_record_that_another_roof_would_fit_better_shows_nothing() -> None:
    assert _shown(61, sky="clear", interval_min=30, is_end=False, turn=12) is None
