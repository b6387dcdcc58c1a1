"""The fleet's skies: never beyond what is measured, in any season, and Payerne's June as it was measured."""

from __future__ import annotations

from datetime import timedelta
from itertools import product

import numpy as np
import pandas as pd
import pytest
from pvanalytics.quality.irradiance import (  # type: ignore[import-untyped]
    check_dhi_limits_qcrad,
    check_dni_limits_qcrad,
    check_ghi_limits_qcrad,
)
from pvlib import irradiance

from tests.bench.fleet.plan import SKY_NAMES, Plan
from tests.bench.fleet.weather import air
from tests.fleet.clouds import CLEAR_DIFFUSE, behind_clouds
from tests.fleet.simulate import FIRST_DAY, PLACES
from tests.fleet.skies import (
    DAY_MIN,
    FIRST_MINUTE,
    PAYERNE,
    clear_at_payerne,
    measured_days_in_order,
)
from tests.fleet.sun import Array, clear_sky, sun

SEASONS = range(0, 365, 61)
RARE_MINUTES = 40
"""Minutes of Payerne's June in which the light was beyond the limits; 16 of its diffuse light, as it was measured."""

HALF_FLOAT = 1e-3
"""Precision of the file's shares."""


def _within_limits(minutes: pd.DatetimeIndex, elevation: Array, dni: Array, dhi: Array) -> None:
    """Fail beyond what the Baseline Surface Radiation Network calls extremely rare, by another's implementation."""
    height = np.sin(np.radians(np.maximum(elevation, 0.0)))
    extra = irradiance.get_extra_radiation(minutes)
    zenith = pd.Series(90 - elevation, minutes)
    light = elevation > 0
    checks = (
        (check_ghi_limits_qcrad, dni * height + dhi),
        (check_dhi_limits_qcrad, dhi),
        (check_dni_limits_qcrad, dni),
    )
    for check, values in checks:
        nearly = pd.Series(values * (1 - 1e-9), minutes)
        assert check(nearly, zenith, extra, limits="extreme")[light].all()


@pytest.mark.parametrize("sky", SKY_NAMES)
def test_every_sky_keeps_the_limits_of_measured_light_in_all_seasons(sky: str) -> None:
    plan = Plan(0, "1d", sky, 5, 8, 1)
    clock_right = np.zeros(DAY_MIN, dtype=np.int64)
    for n, (place, day) in enumerate(product(PLACES, SEASONS)):
        made = air(np.random.default_rng(n), plan, place, FIRST_DAY + timedelta(days=day), clock_right)
        _within_limits(made.minutes, made.elevation_deg, made.dni, made.dhi)


def test_at_payerne_in_june_the_light_is_what_was_measured() -> None:
    beam, diffuse = (np.concatenate(rows) for rows in zip(*measured_days_in_order(), strict=True))
    measured = pd.read_parquet(PAYERNE).astype(float)
    minutes = pd.date_range(FIRST_MINUTE, periods=len(beam), freq="1min")
    elevation, clear_dni, clear_dhi = clear_at_payerne(minutes)
    dni, dhi = behind_clouds(
        clear_dni, clear_dhi, beam=beam, diffuse=diffuse, elevation_deg=elevation, minutes=minutes
    )
    seen = measured["beam"].notna().to_numpy() & measured["diffuse"].notna().to_numpy()
    assert seen.sum() > 20_000
    off_dni = np.abs(dni - clear_dni * measured["beam"])[seen]
    off_dhi = np.abs(dhi - clear_dhi * measured["diffuse"])[seen]
    assert off_dni.max() < HALF_FLOAT
    assert (off_dhi > HALF_FLOAT).sum() <= RARE_MINUTES
    assert off_dhi.max() < 60


def test_the_same_clouds_let_the_same_share_through_whatever_the_sun_s_height() -> None:
    place = PLACES[2]
    minutes = pd.date_range("2026-06-21 03:00Z", periods=8 * 60, freq="1min")
    elevation, _ = sun(place, minutes)
    clear_dni, clear_dhi = clear_sky(place, minutes, elevation, turbidity_factor=1.0, water_cm=1.5)
    up = elevation > 3
    closed = np.zeros(len(minutes)), np.full(len(minutes), 0.3 / CLEAR_DIFFUSE)
    dni, dhi = behind_clouds(
        clear_dni, clear_dhi, beam=closed[0], diffuse=closed[1], elevation_deg=elevation, minutes=minutes
    )
    clear_ghi = clear_dni * np.sin(np.radians(elevation)) + clear_dhi
    assert elevation[up].min() < 5
    assert elevation.max() > 60
    assert not dni.any()
    assert dhi[up] == pytest.approx(0.3 * clear_ghi[up])


def test_without_clouds_and_in_cleaner_air_shares_are_those_of_beam_and_diffuse() -> None:
    minutes = pd.date_range("2026-12-21 08:00Z", periods=8 * 60, freq="1min")
    elevation, _ = sun(PLACES[2], minutes)
    clear_dni, clear_dhi = clear_sky(PLACES[2], minutes, elevation, turbidity_factor=1.0, water_cm=1.5)
    beam, diffuse = np.full(len(minutes), 1.05), np.full(len(minutes), 0.9)
    dni, dhi = behind_clouds(
        clear_dni, clear_dhi, beam=beam, diffuse=diffuse, elevation_deg=elevation, minutes=minutes
    )
    np.testing.assert_allclose(dni, 1.05 * clear_dni)
    np.testing.assert_allclose(dhi, 0.9 * clear_dhi)
