"""Makes a verification's inputs of what is kept: the record as the physics sees it, readings and weather on one grid.

No judgement and no physics here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime, time, timedelta
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
from sqlmodel import Session

from service.expect.site import InverterType, Losses, ModuleType, Plane, Site, Unit
from service.expect.weather import Weather
from service.intake.clock import Clock, clock_of
from service.intake.inputs import Stay, inputs_beside
from service.jobs.clocks import labels_of, true_span, true_time
from service.jobs.grids import CommonGrid, FloatArray, common_grid, filled, on_grid
from service.jobs.outside import days_of, from_service, told_by_services, with_outside
from service.store import fetched, tables
from service.store import readings as store
from service.store.readings import Series
from service.store.sites import ENERGY_CHANNELS
from service.verify.inputs import FromService, Readings

LONGEST_DEFAULT_WINDOW = timedelta(days=14)
SENSOR = "poa_w_m2:"
NO_NAME_HAS = "\N{NO-BREAK SPACE}"
"""Intake refuses it in names, so a name that is made with it is nobody else's."""

WEATHER_CHANNELS = frozenset({"ghi_w_m2", "dni_w_m2", "dhi_w_m2", "air_temp_c", "air_temp_sd_k", "wind_m_s"})

T = TypeVar("T")


@dataclass(frozen=True)
class Inputs:
    """All that a verification is made from."""

    site: Site
    readings: Readings
    weather: Weather | None
    service: FromService | None = None


def inputs_for(
    session: Session, stored: tables.Site, start: datetime | None = None, end: datetime | None = None
) -> Inputs | None:
    """Return the inputs for the window, None if no energy was heard in it or no unit is on the plan yet.

    Without `start` and `end` the window is all readings held, up to the last 14 days.
    """
    site = site_from_record(stored.record)
    if not site.units:
        return None
    readings = readings_for(session, stored.id, site, clock_of(stored.record.get("clock")), start, end)
    if readings is None:
        return None
    until = readings.start + timedelta(minutes=readings.interval_min * readings.count)
    place = fetched.place_of(stored.record)
    return Inputs(site, readings, *weather_for(session, stored.id, place, readings.start, until))


# The record


def site_from_record(record: Mapping[str, Any]) -> Site:
    """Return the record, which intake has validated, as the physics sees it; what it leaves open has defaults."""
    types = {i["name"]: _made(InverterType, i) for i in record["inverter_types"]}
    units = _sharing_inverters([_unit(u) for u in record["units"]], types)
    return _made(
        Site,
        {
            **record,
            "planes": tuple(_plane(p) for p in record["planes"]),
            "module_types": tuple(_made(ModuleType, m) for m in record["module_types"]),
            "inverter_types": tuple(types.values()),
            "units": tuple(units),
            "losses": _made(Losses, record.get("losses") or {}),
        },
    )


def _made(kind: type[T], record: Mapping[str, Any]) -> T:
    names = {f.name for f in fields(kind)}  # type: ignore[arg-type]
    return kind(**{name: value for name, value in record.items() if name in names and value is not None})


def _plane(record: Mapping[str, Any]) -> Plane:
    points = [(float(p["azimuth_deg"]), float(p["elevation_deg"])) for p in record.get("horizon") or ()]
    return _made(Plane, {**record, "horizon": tuple(sorted(points))})


def _unit(record: Mapping[str, Any]) -> Unit:
    bounds = {"active_from": _date(record.get("from")), "active_until": _date(record.get("until"))}
    return _made(Unit, {**record, **bounds})


def _sharing_inverters(units: Sequence[Unit], types: dict[str, InverterType]) -> list[Unit]:
    """Return the units, those that are inputs of one inverter with their share of it, which is added to the types."""
    beside = inputs_beside([Stay(u.serial, u.active_from, u.active_until) for u in units])
    shares = {
        u.serial: _share(types[u.inverter_type], len(inputs)) for u, inputs in zip(units, beside, strict=True)
    }
    types.update((share.name, share) for share in shares.values())
    return [replace(unit, inverter_type=shares[unit.serial].name) for unit in units]


def _share(inverter: InverterType, inputs: int) -> InverterType:
    if inputs == 1:
        return inverter
    share_w = inverter.ac_rated_w / inputs
    name = f"{inverter.name}, one of {inputs} inputs of {share_w:.0f}{NO_NAME_HAS}W"
    return replace(inverter, name=name, ac_rated_w=share_w)


def _date(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


# The readings


def readings_for(
    session: Session,
    site_id: str,
    site: Site,
    clock: Clock,
    start: datetime | None = None,
    end: datetime | None = None,
) -> Readings | None:
    """Return the window's readings on one grid from the first heard to the last, None if none was heard.

    The window and what is returned are in true time, whatever the clock that labelled the readings.
    """
    window = _window(session, site_id, clock, start, end)
    if window is None:
        return None
    first, last = labels_of(window, clock)
    series = true_time(store.load(session, site_id, start=first, end=last), clock, window)
    energies = [_as_energy(s) for s in series if s.channel in ENERGY_CHANNELS]
    serials = {unit.serial for unit in site.units}
    recorded = [s for s in energies if s.serial in serials]
    grid = _spanning(common_grid(recorded), common_grid(energies))
    if grid is None:
        return None
    return Readings(
        start=grid.start,
        interval_min=grid.interval_min,
        energy_wh=_active(site, grid, _by_unit(site, grid, energies, summed=True)),
        channels=_channels(site, grid, [s for s in series if s.channel not in ENERGY_CHANNELS]),
        strangers=_strangers(grid, [s for s in energies if s.serial not in serials]),
    )


def _window(
    session: Session, site_id: str, clock: Clock, start: datetime | None, end: datetime | None
) -> tuple[datetime, datetime] | None:
    labels = store.held_span(session, site_id)
    if labels is None:
        return None
    held = true_span(labels, clock)
    default_start = held[0] if start or end else max(held[0], held[1] - LONGEST_DEFAULT_WINDOW)
    first, last = max(start or default_start, held[0]), min(end or held[1], held[1])
    return (first, last) if first < last else None


def _as_energy(series: Series) -> Series:
    if series.channel == "energy_wh":
        return series
    energy = series.values * (series.interval_min / 60)
    return Series(series.serial, series.channel, series.start, series.interval_min, energy)


def _spanning(recorded: CommonGrid | None, all_heard: CommonGrid | None) -> CommonGrid | None:
    """Return the recorded units' grid, over the time in which strangers were heard too."""
    if recorded is None or all_heard is None:
        return recorded or all_heard
    step = recorded.step
    before = max(0, -(-(recorded.first - all_heard.first) // step))
    first = recorded.first - before * step
    last = max(_end(recorded), _end(all_heard))
    return CommonGrid(first, step, -(-(last - first) // step))


def _end(grid: CommonGrid) -> int:
    return grid.first + grid.step * grid.count


def _by_unit(site: Site, grid: CommonGrid, series: Sequence[Series], *, summed: bool) -> FloatArray:
    rows = {unit.serial: grid.nothing() for unit in site.units}
    # Energies sort before powers: what was metered counts before what was made of a mean power.
    for one in sorted(series, key=lambda s: s.channel):
        if one.serial in rows:
            rows[one.serial] = filled(rows[one.serial], on_grid(one, grid, summed=summed))
    return np.array(list(rows.values())).reshape(len(rows), grid.count)


def _active(site: Site, grid: CommonGrid, energy_wh: FloatArray) -> FloatArray:
    """Take away what was heard of a unit before and after its time on the roof."""
    edges, zone = grid.edges(), ZoneInfo(site.timezone)
    for row, unit in enumerate(site.units):
        if unit.active_from:
            energy_wh[row, edges[:-1] < _midnight(unit.active_from, zone)] = np.nan
        if unit.active_until:
            energy_wh[row, edges[1:] > _midnight(unit.active_until, zone)] = np.nan
    return energy_wh


def _midnight(day: date, zone: ZoneInfo) -> float:
    return datetime.combine(day, time(), zone).timestamp()


def _channels(site: Site, grid: CommonGrid, series: Sequence[Series]) -> dict[str, FloatArray]:
    names = sorted({s.channel for s in series})
    return {
        name: _by_unit(site, grid, [s for s in series if s.channel == name], summed=False) for name in names
    }


def _strangers(grid: CommonGrid, series: Sequence[Series]) -> dict[str, FloatArray]:
    rows: dict[str, FloatArray] = {}
    for one in sorted(series, key=lambda s: (s.serial, s.channel)):
        rows[one.serial] = filled(rows.get(one.serial, grid.nothing()), on_grid(one, grid, summed=True))
    return rows


# The weather


def weather_for(
    session: Session, site_id: str, place: str, start: datetime, end: datetime
) -> tuple[Weather | None, FromService | None]:
    """Return the weather held for the window on a grid of its own, None without any, and what a service told of it.

    `place` is the site's, as `store.fetched` rounds it.
    """
    # An hour earlier, because an interval that began before the window may reach into it.
    wide = (start - timedelta(hours=1), end)
    series = store.load_weather(session, site_id, start=wide[0], end=wide[1])
    days = fetched.days_of(session, site_id, place, *days_of(wide))
    told = told_by_services(days)
    grid, values = with_outside(series, told, wide)
    return _as_weather(grid, values), from_service(days, told, values)


def _as_weather(grid: CommonGrid | None, values: Mapping[str, FloatArray]) -> Weather | None:
    if grid is None:
        return None
    return Weather(
        start=grid.start,
        interval_min=grid.interval_min,
        **{name: found for name, found in values.items() if name in WEATHER_CHANNELS},
        poa_w_m2={n.removeprefix(SENSOR): found for n, found in values.items() if n.startswith(SENSOR)},
    )
