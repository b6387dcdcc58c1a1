"""Verifies a site from what is kept of it, and keeps the result beside the data version and the code it came from."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from threading import Lock
from weakref import WeakValueDictionary
from zoneinfo import ZoneInfo

from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError

from service import __version__
from service.expect.site import Site
from service.jobs import quality, site_days
from service.jobs.assemble import Inputs, inputs_for
from service.jobs.codec import from_json, to_json
from service.quality.model import Quality
from service.report.totals import heard_count, lost_wh_per_day
from service.store import site_days as kept_days
from service.store import sites, verifications
from service.store.database import reading, writing
from service.verify import JUDGEMENT
from service.verify.result import Verification
from service.verify.run import verify

log = logging.getLogger(__name__)

MADE_BY = f"{__version__}-{JUDGEMENT}"
"""The code that makes verifications here. A result of other code, as before an update, is not current."""

_registry = Lock()
_running: WeakValueDictionary[tuple[str, str], Lock] = WeakValueDictionary()


def verify_site(
    engine: Engine, site_id: str, start: datetime | None = None, end: datetime | None = None
) -> Verification | None:
    """Verify the window afresh and keep the result; None if there is no such site or no energy in the window."""
    loaded = _load(engine, site_id, start, end)
    if loaded.inputs is None:
        return None
    inputs = loaded.inputs
    verification = verify(inputs.site, inputs.readings, inputs.weather, inputs.service)
    _keep(engine, site_id, window_key(start, end), loaded, verification, inputs.site)
    return verification


def current_quality(engine: Engine, site_id: str) -> Quality | None:
    """Return what is the matter with the newest readings of the default window: kept with it, else looked at now.

    None if there is no such site or no energy was heard.
    """
    with reading(engine) as session:
        site = sites.get(session, site_id)
        kept = quality.kept(session, site) if site else None
    if kept is not None:
        return kept
    loaded = _load(engine, site_id, None, None)
    found = _looked_at(loaded)
    if found is not None:
        with _unless_deleted(site_id), writing(engine) as session:
            quality.save(session, site_id, loaded.version, found)
    return found


def work_out_days(engine: Engine, site_id: str) -> None:
    """Work out and keep the first stretch of the site's days that are due."""
    with reading(engine) as session:
        site = sites.get(session, site_id)
        due = kept_days.due(session, site_id, MADE_BY)
    if site is None or not due:
        return
    zone = ZoneInfo(site.record["timezone"])
    start, end = site_days.stretch(due, zone)
    loaded = _load(engine, site_id, start, end)
    inputs = loaded.inputs
    found = verify(inputs.site, inputs.readings, inputs.weather) if inputs else None
    days = site_days.days_of(found, inputs.site) if inputs and found else []
    with writing(engine) as session:
        days = site_days.filled(days, start, end, zone)
        site_days.keep_stretch(session, site_id, loaded.version, days, MADE_BY)


def current(
    engine: Engine, site_id: str, start: datetime | None = None, end: datetime | None = None
) -> Verification | None:
    """Return this code's verification of the newest data: the one kept if it is that, else made now.

    None if there is no such site or no energy was heard in the window.
    """
    window = window_key(start, end)
    kept = _kept_if_current(engine, site_id, window)
    if kept is not None:
        return kept
    with _one_at_a_time(site_id, window):
        return _kept_if_current(engine, site_id, window) or verify_site(engine, site_id, start, end)


def window_key(start: datetime | None, end: datetime | None) -> str:
    """Return the window's name in the store: the same moments have the same name in every zone."""
    if start is None and end is None:
        return sites.DEFAULT_WINDOW
    return "/".join("" if m is None else m.astimezone(UTC).isoformat() for m in (start, end))


def summary(verification: Verification) -> verifications.Summary:
    """Return what a list of sites shows of it."""
    return verifications.Summary(
        verdict=verification.verdict,
        lost_wh_per_day=lost_wh_per_day(verification),
        units_heard=heard_count(verification),
        units_fitted=len(verification.units),
        window_start=verification.start,
        window_end=verification.end,
    )


@dataclass(frozen=True)
class _Loaded:
    """What a verification is made from, by which data version; of the default window, what intake noted too."""

    version: int = 0
    inputs: Inputs | None = None
    noted: quality.Noted | None = None


def _load(engine: Engine, site_id: str, start: datetime | None, end: datetime | None) -> _Loaded:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        if site is None:
            return _Loaded()
        # The version comes first: data that arrives while loading makes the result too old, never too new.
        version, inputs = site.data_version, inputs_for(session, site, start, end)
        if inputs is None or window_key(start, end) != sites.DEFAULT_WINDOW:
            return _Loaded(version, inputs)
        return _Loaded(version, inputs, quality.noted_for(session, site, inputs.readings))


def _looked_at(loaded: _Loaded) -> Quality | None:
    if loaded.inputs is None or loaded.noted is None:
        return None
    return quality.quality_of(loaded.inputs.site, loaded.inputs.readings, loaded.noted)


def _keep(
    engine: Engine, site_id: str, window: str, loaded: _Loaded, verification: Verification, site: Site
) -> None:
    version, looked_at = loaded.version, _looked_at(loaded)
    with _unless_deleted(site_id), writing(engine) as session:
        verifications.save(
            session,
            site_id,
            window,
            version,
            to_json(verification),
            made_by=MADE_BY,
            summary=summary(verification),
        )
        if window == sites.DEFAULT_WINDOW:
            site_days.keep_newest(session, site_id, version, verification, site, MADE_BY)
        if looked_at is not None:
            quality.save(session, site_id, version, looked_at)


@contextmanager
def _unless_deleted(site_id: str) -> Iterator[None]:
    try:
        yield
    except IntegrityError:
        log.info("site %s was deleted while it was verified", site_id)


def _kept_if_current(engine: Engine, site_id: str, window: str) -> Verification | None:
    with reading(engine) as session:
        site = sites.get(session, site_id)
        kept = verifications.load(session, site_id, window) if site else None
    if site is None or kept is None or kept.made_by != MADE_BY or kept.data_version < site.data_version:
        return None
    return from_json(kept.verification_json)


@contextmanager
def _one_at_a_time(site_id: str, window: str) -> Iterator[None]:
    """Let the second who asks for the same result wait for the first one's instead of making it again."""
    with _registry:
        lock = _running.setdefault((site_id, window), Lock())
    with lock:
        yield
