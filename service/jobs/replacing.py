"""Takes the word that a unit was replaced: into the record, as a change that can be undone, and onto the punch list.

The position's entry goes on with the new unit: it is said to be mended, and the proof holds the new unit's index
against the old one's. Nothing is verified here: whoever calls has the site verified anew.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Engine
from sqlmodel import Session

from service.intake.plan import differences
from service.intake.problems import FieldError, Refused
from service.intake.replace import Replacement, replaced, successors
from service.intake.take import NoSuchSite
from service.jobs.punch_list import unit_subject
from service.store import audit, punch, record_changes, serials, sites
from service.store.database import writing
from service.store.punch import Done
from service.store.tables import Site

A_DAY = timedelta(days=1)
"""Readings are kept by days of UTC, which a local day touches two of."""


def replace_unit(
    engine: Engine, site_id: str, change: Replacement, *, by: str, note: str = "", nonce: str | None = None
) -> None:
    """Put the new unit in the old one's place; Refused names each bad field. A form sent twice counts once."""
    with writing(engine) as session:
        site = sites.held(session, site_id)
        if site is None:
            raise NoSuchSite
        if nonce and punch.is_done(session, site_id, nonce):
            return
        before, zone = site.record, ZoneInfo(site.record["timezone"])
        after = replaced(before, change, today=datetime.now(zone).date())
        _refuse_misheard(session, site_id, change)
        summary = differences(before, after).summary()
        number = record_changes.keep(session, site, after, summary=summary, by=by)
        audit.note(session, by, "record.changed", site_id=site_id, number=number, **summary)
        for old, new in successors(before, change).items():
            told = {"old": old, "new": new, "day": change.day.isoformat()}
            done = Done("replaced", by, note, nonce=nonce if old == change.old else None, details=told)
            _go_on(session, site, old, new, done, _moment(change.day, zone))


def _refuse_misheard(session: Session, site_id: str, change: Replacement) -> None:
    """Refuse a day that the readings contradict, and a serial of another site."""
    errors = []
    until, since = (serials.days_heard(session, site_id, s) for s in (change.old, change.new))
    if until and until[1] > change.day + A_DAY:
        errors.append(FieldError("day", f"is too early: the old unit was heard until {until[1].isoformat()}"))
    if since and since[0] < change.day - A_DAY:
        errors.append(
            FieldError("day", f"is too late: the new unit was heard from {since[0].isoformat()} on")
        )
    if serials.on_other_sites(session, site_id, [change.new]):
        errors.append(
            FieldError("new", "is on the record of another site; take it off there, or read the label again")
        )
    if errors:
        raise Refused(errors)


def _go_on(session: Session, site: Site, old: str, new: str, done: Done, at: datetime) -> None:
    entry = punch.last_of(session, site.id, unit_subject(old))
    if entry is None or entry.state == "closed":
        punch.add_note(session, site.id, [old, new], done)
        return
    entry.subject, entry.serials = unit_subject(new), [new]
    punch.mark(session, entry, done, at=at)


def _moment(day: date, zone: ZoneInfo) -> datetime:
    """Return from when on the new unit is surely there: now, or the end of a day that is past."""
    end = datetime.combine(day + A_DAY, time(), zone).astimezone(UTC)
    return min(datetime.now(UTC), end)
