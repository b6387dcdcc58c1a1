"""Has open weather services asked for the sites' weather, one question at a time, and keeps what they answer.

What a site lacks of the days that its default window shows is asked for in one stretch, once its service can have it:
later days come later. Whatever goes wrong is noted and shown, and no verification waits for it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from threading import Lock
from typing import Any

import numpy as np
from sqlalchemy import Engine
from sqlmodel import Session

from service.fetch.apart import fetch_weather
from service.fetch.model import CHANNELS, NoAnswer, Question
from service.fetch.services import SERVICES, Service
from service.intake.days import days_reached
from service.intake.weather import BOUNDS
from service.jobs.assemble import LONGEST_DEFAULT_WINDOW
from service.settings import Settings
from service.store import fetched, readings, site_days, sites
from service.store.database import reading, writing
from service.store.fetched import Hours
from service.store.grids import Samples
from service.store.tables import FetchedDay, Site

log = logging.getLogger(__name__)

LOOKED_AT = 50
"""Sites that a sweep looks at until it finds one to ask for."""

LOOK_AGAIN = timedelta(hours=6)
"""After so long it is seen whether a site lacks a day by now."""

MAY_GROW = timedelta(days=1)
"""A day that was told with gaps is asked for again after so long."""

Ask = Callable[..., dict[str, Any]]
_asking = Lock()
"""One question at a time in a process, so that services which hang never hold up more than one thread."""


@dataclass(frozen=True)
class Access:
    """The service that an installation asks, and by what it knows its user."""

    code: str
    secret: str

    @property
    def service(self) -> Service:
        """Return what is known of the service."""
        return SERVICES[self.code]


def access_of(settings: Settings) -> Access | None:
    """Return whom the settings let be asked; None for nobody."""
    return None if settings.weather == "none" else Access(settings.weather, settings.weather_secret)


def fetch_next(
    engine: Engine, access: Access, *, now: datetime | None = None, ask: Ask = fetch_weather
) -> bool:
    """Ask for the weather of the site that waits longest, if any does and it is time; return whether one was asked."""
    now = now or datetime.now(UTC)
    if not _asking.acquire(blocking=False):
        return False
    try:
        found = _next(engine, access, now)
        if found is not None:
            _fetch(engine, access, *found, now, ask)
        return found is not None
    finally:
        _asking.release()


def is_due(engine: Engine, access: Access, *, now: datetime | None = None) -> bool:
    """Return whether some site's weather may have to be asked for."""
    now = now or datetime.now(UTC)
    with reading(engine) as session:
        last = fetched.last_asked(session)
        if last is not None and now - last < timedelta(seconds=access.service.pause_s):
            return False
        return bool(fetched.due(session, access.code, now, 1))


def _next(engine: Engine, access: Access, now: datetime) -> tuple[Site, list[date]] | None:
    """Return the site that is to be asked for and its days, claimed; put off those that lack nothing."""
    if not is_due(engine, access, now=now):
        return None
    with writing(engine) as session:
        for site_id in fetched.due(session, access.code, now, LOOKED_AT):
            site = sites.get(session, site_id)
            days = _lacking(session, site, access, now) if site else []
            if site and days and fetched.claim(session, site_id, access.code, now):
                return site, days
            fetched.put_off(session, site_id, access.code, now + LOOK_AGAIN, now=now)
    return None


def _lacking(session: Session, site: Site, access: Access, now: datetime) -> list[date]:
    """Return the days of the default window that the service may have by now and that are not kept in full."""
    held = readings.held_span(session, site.id)
    if held is None:
        return []
    first = (max(held[0], held[1] - LONGEST_DEFAULT_WINDOW) - timedelta(hours=1)).date()
    last = min(
        (held[1] - timedelta(seconds=1)).date(), (now - timedelta(days=access.service.late_days)).date()
    )
    kept = fetched.days_of(session, site.id, fetched.place_of(site.record), first, last)
    enough = {d.day for d in kept if _is_enough(d, access, now)}
    days = [first + timedelta(days=i) for i in range((last - first).days + 1)]
    return [day for day in days if day not in enough]


def _is_enough(day: FetchedDay, access: Access, now: datetime) -> bool:
    if day.service != access.code:
        return False
    whole = all(None not in day.hours.get(name, [None]) for name in access.service.channels)
    return whole or now - day.fetched_at < MAY_GROW


def _fetch(engine: Engine, access: Access, site: Site, days: list[date], now: datetime, ask: Ask) -> None:
    place = fetched.place_of(site.record)
    latitude, longitude = (float(part) for part in place.split(","))
    where = (access.code, access.service.url, latitude, longitude)
    question = Question(*where, days[0].isoformat(), days[-1].isoformat(), access.secret)
    try:
        answer = ask(question, longest_s=access.service.longest_s)
    except NoAnswer as no:
        log.warning("site %s: %s gave no weather (%s)", site.id, access.service.name, no)
        with writing(engine) as session:
            if sites.get(session, site.id):
                fetched.note_failure(session, site.id, access.code, no.kind, no.said, now=now)
        return
    _keep(engine, access, site, answer, now)


def _keep(engine: Engine, access: Access, site: Site, answer: dict[str, Any], now: datetime) -> None:
    days = {date.fromisoformat(day): _plausible(hours) for day, hours in answer.items()}
    told = {day: hours for day, hours in days.items() if hours}
    with writing(engine) as session:
        held = sites.held(session, site.id)
        if held is None:
            return
        changed = fetched.keep(
            session, site.id, told, service=access.code, place=fetched.place_of(site.record), at=now
        )
        fetched.note_answer(session, site.id, access.code, now + LOOK_AGAIN, now=now)
        if changed:
            sites.touch(session, site.id)
            samples = [_sample(day) for day in changed]
            site_days.want(session, site.id, days_reached(samples, held.record))


def _plausible(hours: dict[str, list[float | None]]) -> Hours:
    """Return the channels with what cannot be right left out."""
    kept = {}
    for name in (n for n in CHANNELS if n in hours):
        low, high = BOUNDS[name].lowest, BOUNDS[name].highest
        values = [v if v is not None and low <= v <= high else None for v in hours[name]]
        if len(values) == 24 and any(v is not None for v in values):
            kept[name] = values
    return kept


def _sample(day: date) -> Samples:
    """Return the hours of a day as samples, for the question which of the site's own days they reach."""
    first = int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())
    return Samples("", "air_temp_c", 60, first + 3600 * np.arange(24), np.zeros(24))
