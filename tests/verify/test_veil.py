"""A unit that stands beside no like one, under a veil: planes away from the sun hardly show what that takes from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.expect.sky import Irradiance
from service.verify.case import expectation
from service.verify.day import daylight
from service.verify.run import verify
from tests.verify.conftest import NOISE, SPREAD, Roof

AUTUMN = datetime(2026, 10, 6, tzinfo=UTC)


def one_beside_others(roof: Callable[..., Roof], azimuth_deg: float, south: int = 1) -> Roof:
    """Return a roof of one unit or more to the south and seven that face elsewhere."""
    r = roof(units=7 + south, planes=2, index=1.0, start=AUTUMN)
    planes = (r.site.planes[0], replace(r.site.planes[1], azimuth_deg=azimuth_deg))
    units = tuple(replace(u, plane="west" if i >= south else "south") for i, u in enumerate(r.site.units))
    return replace(r, site=replace(r.site, planes=planes, units=units))


def veiled(r: Roof, left: float) -> Roof:
    """Give the roof a day whose beam a veil leaves so much of, and half the rest as light of the whole sky."""
    day = daylight(r.site, r.grid, None)
    beam = left * day.clear.dni
    diffuse = day.clear.dhi + (day.clear.dni - beam) * day.sun.cos_zenith / 2
    sky = Irradiance(diffuse + beam * day.sun.cos_zenith, beam, diffuse)
    due = expectation(day, sky).energy_wh
    rng = np.random.default_rng(3)
    noisy = due * (1 + NOISE * rng.standard_normal(due.shape))
    r.energy_wh[:, day.positions] = noisy * (1 + SPREAD * rng.standard_normal((len(due), 1)))
    return r


def said(r: Roof) -> set[str]:
    return {f.cause for f in verify(r.site, r.readings()).findings}


@pytest.mark.parametrize(("azimuth_deg", "left"), [(300.0, 0.05), (300.0, 0.5), (350.0, 0.05)])
def test_what_a_veil_takes_from_the_only_unit_in_the_sun_is_no_fault_of_it_nor_another_place(
    roof: Callable[..., Roof], azimuth_deg: float, left: float
) -> None:
    assert said(veiled(one_beside_others(roof, azimuth_deg), left)) == set()


def test_an_only_unit_that_lies_on_the_others_plane_is_found_in_the_sun_that_they_show(
    roof: Callable[..., Roof],
) -> None:
    r = veiled(one_beside_others(roof, 260.0), 1.0)
    r.energy_wh[0] = 1.02 * r.energy_wh[1]
    assert said(r) == {"wrong_plane"}


def test_what_no_sky_takes_from_an_only_unit_by_all_that_others_show_is_its_own(
    roof: Callable[..., Roof],
) -> None:
    r = veiled(one_beside_others(roof, 260.0), 1.0)
    r.energy_wh[0] *= 0.5
    assert said(r) == {"low_output"}


@pytest.mark.parametrize("azimuth_deg", [350.0, 320.0, 300.0])
@pytest.mark.parametrize("share", [1.0, 0.5, 0.25])
def test_a_closed_cover_in_whole_wh_accuses_no_only_unit_beside_backs_to_the_sun(
    roof: Callable[..., Roof], azimuth_deg: float, share: float
) -> None:
    """What such planes show under it they show in the sun, too."""
    r = veiled(one_beside_others(roof, azimuth_deg), 0.0)
    r.energy_wh = np.round(share * r.energy_wh)
    assert said(r) == set()


@pytest.mark.parametrize(
    ("azimuth_deg", "living", "left", "hour"),
    [(330.0, 1, 0.05, 10), (350.0, 1, 0.3, 10), (350.0, 1, 0.05, 8), (300.0, 2, 0.05, 12)],
)
def test_what_a_veil_takes_from_the_few_that_outlive_their_like_is_no_fault_of_theirs(
    roof: Callable[..., Roof], azimuth_deg: float, living: int, left: float, hour: int
) -> None:
    """They seemed in shade, weak or on another plane."""
    r = veiled(one_beside_others(roof, azimuth_deg, south=6), left)
    r.energy_wh[living:6, r.interval(hour) :] = 0.0
    assert said(r) == {"no_output"}


def test_what_one_of_two_that_outlive_their_like_lacks_beside_the_other_is_its_own(
    roof: Callable[..., Roof],
) -> None:
    r = veiled(one_beside_others(roof, 330.0, south=6), 0.5)
    r.energy_wh[2:6, r.interval(8) :] = 0.0
    r.energy_wh[0] *= 0.6
    assert said(r) - {"no_output"} == {"low_output"}
