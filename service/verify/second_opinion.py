"""The light that an open weather service tells beside the light that the units show: shown, and judged by nobody.

Satellites and reanalyses know an hour's light to a fifth or a third and a week's to a tenth or so, for an area of many
km2; the units know theirs to a percent from one another. So a service can neither accuse a unit nor clear it. All that
it may say is that the level of the whole site lies where such a service would put it, or far from there.
"""

from __future__ import annotations

import math

import numpy as np

from service.expect.sky import Irradiance
from service.expect.weather import sky_from_weather
from service.verify.case import Case
from service.verify.common_shade import sky_behind
from service.verify.inputs import FromService
from service.verify.result import Told
from service.verify.sky import sky_at

ARRAY_SD = 0.05
"""Standard uncertainty of the light read from the units: half of what a site may lack before it is called low."""

LEAST_LIGHT = 1.0
"""Global irradiation of both, kWh/m2, below which nothing is said (our choice, no source)."""


def told_by(case: Case, service: FromService | None) -> Told | None:
    """Return what the service told, with its light over the units' where both know enough of it."""
    if service is None:
        return None
    told = Told(service.name, service.fetched_at, service.air_temp)
    if service.light is None or not case.array_sky.known.any():
        return told
    day = case.day
    sky = sky_from_weather(service.light, day.grid, day.sun, day.clear, site=day.site)
    theirs, ours = day.gather(sky.ghi), day.gather(_array_sky(case).ghi)
    both = np.isfinite(theirs) & case.array_sky.known
    if min(theirs[both].sum(), ours[both].sum()) < 1000 * LEAST_LIGHT:
        return told
    ratio = float(theirs[both].sum() / ours[both].sum())
    days = len(np.unique(day.positions[both] * day.grid.interval_min // (24 * 60)))
    half = 2 * math.hypot(service.light_sd, service.light_day_sd / math.sqrt(days), ARRAY_SD)
    low, high = max(ratio * (1 - half), 0.0), ratio * (1 + half)
    return Told(*(told.name, told.fetched_at, told.air_temp), round(ratio, 3), round(low, 3), round(high, 3))


def _array_sky(case: Case) -> Irradiance:
    sky = sky_behind(case.day, case.array_sky, case.shades) if case.shades else case.array_sky
    return sky_at(case.day, sky)
