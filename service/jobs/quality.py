"""What the readings of a site's default window are like as they were sent: looked at and kept beside the verification.

Brings together what the finders need; what is the matter is theirs to say.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np
from pydantic import TypeAdapter
from sqlmodel import Session

from service import __version__
from service.expect.grid import floats
from service.expect.site import Site
from service.expect.sun import sun_at
from service.intake.clock import Clock, clock_of
from service.jobs.clocks import labels_of
from service.quality import LOOK
from service.quality.look import look
from service.quality.model import Arrived, KeptOut, Quality
from service.store import payloads, qualities, readings, tables
from service.store.grids import BoolArray, IntArray, Samples, moment
from service.verify.inputs import Readings

MADE_BY = f"{__version__}-{LOOK}"
DAY_S = 86_400
EPOCH = date(1970, 1, 1).toordinal()

_ADAPTER = TypeAdapter(Quality)


@dataclass(frozen=True)
class Noted:
    """What intake noted beside the readings: values kept out, and what several sources said."""

    kept_out: tuple[KeptOut, ...] = ()
    said: Mapping[str, list[Samples]] | None = None


def noted_for(session: Session, stored: tables.Site, found: Readings) -> Noted:
    """Return what was noted about the window of the readings, in the time of the record's clock."""
    clock = clock_of(stored.record.get("clock"))
    window = moment(int(found.start.timestamp())), _end(found)
    first, last = labels_of(window, clock)
    listed = payloads.problems_since(session, stored.id, first)
    said = readings.contested(session, stored.id, start=first, end=last)
    return Noted(
        tuple(one for batch in listed for one in _kept_out(batch, clock)),
        {source: [_true(samples, clock) for samples in found] for source, found in said.items()},
    )


def quality_of(site: Site, found: Readings, noted: Noted) -> Quality:
    """Return what is the matter with the readings as they were sent."""
    return look(arrived(site, found, noted))


def arrived(site: Site, found: Readings, noted: Noted) -> Arrived:
    """Return the readings as the finders look at them."""
    start_s, step_s = int(found.start.timestamp()), 60 * found.interval_min
    starts = start_s + step_s * np.arange(found.count)
    place = {"latitude": site.latitude, "longitude": site.longitude, "elevation_m": site.elevation_m}
    zenith = sun_at(floats(starts + step_s / 2), **place).apparent_zenith_deg
    rated = {i.name: i.ac_rated_w * found.interval_min / 60 for i in site.inverter_types}
    planes = [p.name for p in site.planes]
    day = _days(starts, ZoneInfo(site.timezone))
    return Arrived(
        serials=tuple(u.serial for u in site.units),
        start_s=start_s,
        interval_min=found.interval_min,
        energy_wh=found.energy_wh,
        fitted=_fitted(site, day),
        rated_wh=np.array([rated[u.inverter_type] for u in site.units]),
        plane=np.array([planes.index(u.plane) for u in site.units]),
        elevation_deg=90.0 - zenith,
        day=day,
        kept_out=noted.kept_out,
        said=noted.said or {},
    )


def save(session: Session, site_id: str, version: int, quality: Quality) -> None:
    """Keep what was found."""
    qualities.save(session, site_id, version, zlib.compress(_ADAPTER.dump_json(quality)), made_by=MADE_BY)


def kept(session: Session, site: tables.Site) -> Quality | None:
    """Return what was found of the newest data by this code, None if nothing was yet."""
    row = qualities.load(session, site.id)
    if row is None or row.made_by != MADE_BY or row.data_version < site.data_version:
        return None
    return _ADAPTER.validate_json(zlib.decompress(row.result))


def _end(found: Readings) -> datetime:
    return moment(int(found.start.timestamp()) + 60 * found.interval_min * found.count)


def _days(starts: IntArray, zone: ZoneInfo) -> IntArray:
    """Return the local day of each start; a zone's offset changes at full quarters of an hour."""
    quarters, places = np.unique(starts // 900, return_inverse=True)
    ends = [moment(int(q) * 900).astimezone(zone).utcoffset() for q in (quarters[0], quarters[-1])]
    if ends[0] == ends[1] and ends[0] is not None:
        return np.asarray((starts + int(ends[0].total_seconds())) // DAY_S)
    days = [moment(int(q) * 900).astimezone(zone).date().toordinal() for q in quarters]
    return np.array(days)[places] - EPOCH


def _fitted(site: Site, day: IntArray) -> BoolArray:
    since = [u.active_from.toordinal() if u.active_from else 0 for u in site.units]
    until = [u.active_until.toordinal() if u.active_until else 10**7 for u in site.units]
    ordinal = day + EPOCH
    return np.asarray((ordinal >= np.array(since)[:, None]) & (ordinal < np.array(until)[:, None]))


def _kept_out(batch: payloads.Listed, clock: Clock) -> Iterator[KeptOut]:
    for one in batch.problems:
        if one["serial"] and one["start"] and one["field"]:
            at = int(datetime.fromisoformat(one["start"]).timestamp())
            yield KeptOut(one["serial"], _true_s(at, clock), one["field"], one["value"], batch.source)


def _true(samples: Samples, clock: Clock) -> Samples:
    starts = np.array([_true_s(int(s), clock) for s in samples.starts], dtype=np.int64)
    return Samples(samples.serial, samples.channel, samples.interval_min, starts, samples.values)


def _true_s(label: int, clock: Clock) -> int:
    return label - 60 * clock.minutes_at(label)
