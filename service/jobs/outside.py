"""What an open weather service told of a window, put beside what was measured on site, which goes before it.

Air temperature fills what no sensor told; wind is not taken, since that over open country is not that on a roof.
Irradiance stays apart, as a second opinion on the site's level: an hour's light of a service is wrong by a third or
so, which would accuse healthy units and hide faulty ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time

import numpy as np

from service.expect.weather import SENSOR_AIR_SD_K, Weather
from service.fetch.services import SERVICES
from service.jobs.grids import CommonGrid, FloatArray, common_grid, filled, on_grid
from service.store.readings import Series
from service.store.tables import FetchedDay
from service.verify.inputs import FromService

HOUR_S = 3600
AIR = "air_temp_c"
LIGHT = "ghi_w_m2"


def told_by_services(days: Sequence[FetchedDay]) -> dict[str, Series]:
    """Return what was told of days as series on one hourly grid, `sd` the air temperature's uncertainty, K."""
    known = [day for day in days if day.service in SERVICES]
    if not known:
        return {}
    first = min(day.day for day in known)
    start = datetime.combine(first, time(), UTC)
    count = 24 * ((max(day.day for day in known) - first).days + 1)
    values = {name: np.full(count, np.nan) for name in (AIR, LIGHT, "sd")}
    for day in known:
        hours = slice(24 * (day.day - first).days, 24 * ((day.day - first).days + 1))
        for name in (AIR, LIGHT):
            values[name][hours] = np.array(day.hours.get(name) or [None] * 24, dtype=float)
        values["sd"][hours] = SERVICES[day.service].air_temp_sd_k
    return {name: Series("", name, start, 60, v) for name, v in values.items() if np.isfinite(v).any()}


def with_outside(
    own: Sequence[Series], told: dict[str, Series], span: tuple[datetime, datetime]
) -> tuple[CommonGrid | None, dict[str, FloatArray]]:
    """Return the grid and the series of the weather: the sensors' grid, over the whole span, or the hours'."""
    filling = [told[AIR]] if AIR in told else []
    grid = common_grid(own)
    grid = common_grid(filling) if grid is None else _reaching(grid, span) if filling else grid
    if grid is None:
        return None, {}
    values = {name: grid.nothing() for name in {s.channel for s in (*own, *filling)}}
    for one in (*own, *filling):
        values[one.channel] = filled(values[one.channel], on_grid(one, grid, summed=False))
    if filling:
        measured = grid.nothing()
        for one in own:
            if one.channel == AIR:
                measured = filled(measured, on_grid(one, grid, summed=False))
        theirs = on_grid(told["sd"], grid, summed=False)
        values["air_temp_sd_k"] = np.where(np.isfinite(measured), SENSOR_AIR_SD_K, theirs)
    return grid, values


def from_service(
    days: Sequence[FetchedDay], told: dict[str, Series], values: dict[str, FloatArray]
) -> FromService | None:
    """Return who told it and what of it stands beside the units' sky; None without a known service."""
    newest = max(
        (d for d in days if d.service in SERVICES), key=lambda d: (d.fetched_at, d.day), default=None
    )
    if newest is None:
        return None
    service = SERVICES[newest.service]
    sd = values.get("air_temp_sd_k")
    return FromService(
        name=service.name,
        fetched_at=newest.fetched_at,
        air_temp=sd is not None and bool((sd[np.isfinite(sd)] != SENSOR_AIR_SD_K).any()),
        light=_light(told.get(LIGHT)),
        light_sd=service.light_sd,
        light_day_sd=service.light_day_sd,
    )


def _reaching(grid: CommonGrid, span: tuple[datetime, datetime]) -> CommonGrid:
    """Return the grid from the start of the span, or before, to its end."""
    first, last = (int(moment.timestamp()) for moment in span)
    before = max(0, -(-(grid.first - first) // grid.step))
    begin = grid.first - before * grid.step
    end = max(grid.first + grid.step * grid.count, last)
    return CommonGrid(begin, grid.step, -(-(end - begin) // grid.step))


def _light(series: Series | None) -> Weather | None:
    return None if series is None else Weather(series.start, series.interval_min, ghi_w_m2=series.values)


def days_of(span: tuple[datetime, datetime]) -> tuple[date, date]:
    """Return the first and the last UTC day of a span."""
    return span[0].astimezone(UTC).date(), span[1].astimezone(UTC).date()
