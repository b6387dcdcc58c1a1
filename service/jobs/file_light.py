"""The light in a file as it was understood, on its brightest day, beside what a clear sky would give the same units.

For people who look whether zone and quantity can be right; judges nothing, and nothing of it is kept with readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.expect.energy import expected_energy
from service.expect.grid import Grid
from service.expect.site import Site
from service.intake.export.noon import lateness_min, solar_noon_s
from service.intake.export.survey import Trace
from service.jobs.assemble import site_from_record
from service.store.grids import FloatArray, IntArray, Samples, moment
from service.store.sites import ENERGY_CHANNELS

DAY_S = 86_400


@dataclass(frozen=True)
class FileLight:
    """The mean power of one unit in each step of a local day, W; None where the file holds nothing."""

    day: str
    step_min: int
    minutes: tuple[int, ...]
    file_w: tuple[float | None, ...]
    clear_w: tuple[float, ...]
    noon_min: float
    """When the sun is highest, on the site's clock."""
    late_min: float | None
    """How late the middle of the light is on the file's days; None if no day shows both its ends."""


def light_of(samples: Sequence[Samples], record: Mapping[str, Any]) -> FileLight | None:
    """Return the light of the file, None where it has none or the site has no unit yet."""
    site = site_from_record(record)
    found = [s for s in samples if s.channel in ENERGY_CHANNELS and s.starts.size]
    if not found or not site.units:
        return None
    zone = ZoneInfo(site.timezone)
    powers = [_power(s) for s in found]
    day = _brightest_day(found, powers, zone)
    if day is None:
        return None
    step = max(s.interval_min for s in found)
    begin, end = (datetime.combine(d, time(), zone).timestamp() for d in (day, day + timedelta(days=1)))
    grid = Grid(datetime.fromtimestamp(begin, UTC), step, round(end - begin) // (step * 60))
    return FileLight(
        day=day.isoformat(),
        step_min=step,
        minutes=tuple(_minute(begin + i * step * 60, zone) for i in range(grid.count)),
        file_w=_mean_power(found, powers, int(begin), grid),
        clear_w=_clear(site, {s.serial for s in found}, grid),
        noon_min=_noon(day, site, zone),
        late_min=_late(found, powers, site.longitude),
    )


def _power(one: Samples) -> FloatArray:
    return one.values if one.channel == "power_w" else one.values * (60 / one.interval_min)


def _brightest_day(found: Sequence[Samples], powers: Sequence[FloatArray], zone: ZoneInfo) -> date | None:
    # Days on the sun's clock would do; the site's own at its first reading is near enough to add energies up by.
    shift = moment(int(found[0].starts[0])).astimezone(zone).utcoffset() or timedelta()
    days: dict[int, float] = {}
    for one, power in zip(found, powers, strict=True):
        numbers, place = np.unique((one.starts + int(shift.total_seconds())) // DAY_S, return_inverse=True)
        energies = np.bincount(place, np.nan_to_num(power))
        for number, energy in zip(numbers.tolist(), energies.tolist(), strict=True):
            days[number] = days.get(number, 0.0) + energy
    best = max(days, key=lambda number: days[number])
    return date(1970, 1, 1) + timedelta(days=best) if days[best] > 0 else None


def _mean_power(
    found: Sequence[Samples], powers: Sequence[FloatArray], begin: int, grid: Grid
) -> tuple[float | None, ...]:
    total, count = np.zeros(grid.count), np.zeros(grid.count)
    for one, power in zip(found, powers, strict=True):
        place: IntArray = (one.starts - begin) // (grid.interval_min * 60)
        inside = (place >= 0) & (place < grid.count) & ~np.isnan(power)
        total += np.bincount(place[inside], power[inside], grid.count)
        count += np.bincount(place[inside], minlength=grid.count)
    pairs = zip(total.tolist(), count.tolist(), strict=True)
    return tuple(round(watts / n, 1) if n else None for watts, n in pairs)


def _clear(site: Site, serials: set[str], grid: Grid) -> tuple[float, ...]:
    """Return what the file's units would give, the site's where none of them is on the record."""
    energy = expected_energy(site, grid).energy_wh
    theirs = [i for i, unit in enumerate(site.units) if unit.serial in serials] or list(
        range(len(site.units))
    )
    powers = energy[theirs].mean(axis=0) * (60 / grid.interval_min)
    return tuple(round(p, 1) for p in powers.tolist())


def _noon(day: date, site: Site, zone: ZoneInfo) -> float:
    number = (day - date(1970, 1, 1)).days
    return _minute(number * DAY_S + solar_noon_s(number, site.longitude), zone)


def _minute(seconds: float, zone: ZoneInfo) -> int:
    at = datetime.fromtimestamp(seconds, zone)
    return at.hour * 60 + at.minute


def _late(found: Sequence[Samples], powers: Sequence[FloatArray], longitude: float) -> float | None:
    traces = [
        Trace(one.starts[heard] + one.interval_min * 30, power[heard])
        for one, power in zip(found, powers, strict=True)
        if (heard := ~np.isnan(power)).any()
    ]
    return lateness_min(traces, lambda utc: utc, longitude)
