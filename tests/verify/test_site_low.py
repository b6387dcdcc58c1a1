"""A site that is low as a whole: told in clear hours only, beyond the model's band, accusing no unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.expect.weather import Weather
from service.verify.result import Finding
from service.verify.run import build_case, verify
from tests.verify.conftest import Roof


def found(roof: Roof, weather: Weather | None = None) -> list[Finding]:
    return [f for f in verify(roof.site, roof.readings(), weather).findings if f.is_fault]


def covered(roof: Roof, share: float) -> Roof:
    return replace(roof, energy_wh=roof.energy_wh * share)


@pytest.mark.parametrize("share", [0.65, 0.8])
def test_a_cover_over_all_modules_is_found_and_accuses_no_unit(
    roof: Callable[..., Roof], share: float
) -> None:
    (low,) = found(covered(roof(planes=2, index=1.0, ac_rated_w=1000), share))
    assert (low.cause, low.serials) == ("site_low", ())
    assert low.details["factor"] == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize(("share", "index", "clear"), [(0.8, 1.0, True), (1.0, 1.0, True), (1.0, 0.5, False)])
def test_what_a_whole_roof_lacks_is_no_cloud(
    roof: Callable[..., Roof], share: float, index: float, clear: bool
) -> None:
    r = covered(roof(index=index, ac_rated_w=1000), share)
    of_sky = verify(r.site, r.readings()).sky.clear_share
    assert of_sky is not None
    assert of_sky > 0.9 if clear else of_sky < 0.05


def test_what_is_missing_is_counted(roof: Callable[..., Roof]) -> None:
    whole = roof(index=1.0, ac_rated_w=1000)
    (low,) = found(covered(whole, 0.75))
    assert low.lost_wh == pytest.approx(0.25 * whole.energy_wh.sum(), rel=0.1)


@pytest.mark.parametrize("share", [0.92, 1.0, 1.1])
def test_within_the_model_s_band_nothing_is_said(roof: Callable[..., Roof], share: float) -> None:
    assert found(covered(roof(index=1.0, ac_rated_w=1000), share)) == []


def test_even_overcast_is_no_low_site(roof: Callable[..., Roof]) -> None:
    assert found(roof(index=0.25, days=2)) == []


def test_passing_clouds_are_no_low_site(roof: Callable[..., Roof]) -> None:
    bare = roof(index=1.0, interval_min=15)
    cloud = np.random.default_rng(3).uniform(0.4, 0.8, bare.grid.count)
    assert [f.cause for f in found(replace(bare, energy_wh=bare.energy_wh * cloud))] == []


def test_measured_irradiance_shows_a_low_site_under_any_even_sky(roof: Callable[..., Roof]) -> None:
    r = covered(roof(index=0.7), 0.7)
    day = build_case(r.site, r.readings()).day
    ghi = np.zeros(r.grid.count)
    ghi[day.positions] = 0.7 * day.clear.ghi * day.sun.up_share
    assert "site_low" in [f.cause for f in found(r, Weather(r.grid.start, 5, ghi_w_m2=ghi))]
