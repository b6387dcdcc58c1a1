"""Changes of a site's record by hand, all or nothing: stored, undone, made again, each with who did so.

Nothing is verified here: whoever calls has the site verified anew.
"""

from __future__ import annotations

from sqlalchemy import Engine
from sqlmodel import Session

from service.intake.accept import RecordMoved
from service.intake.plan import Stored, differences, is_same
from service.intake.take import NoSuchSite
from service.store import audit, record_changes, sites
from service.store.corrections import fingerprint
from service.store.database import writing
from service.store.tables import Site


def begin(engine: Engine, record: Stored, *, by: str) -> str:
    """Keep a validated record as a new site and return its id."""
    with writing(engine) as session:
        site = sites.create(session, record)
        audit.note(session, by, "record.begun", site_id=site.id, units=len(record["units"]))
    return site.id


def rewrite(engine: Engine, site_id: str, record: Stored, *, on: str, by: str) -> int | None:
    """Put a validated record in the place of the one of the fingerprint `on`; return the change's number.

    None if the record says so already. Raises NoSuchSite, or RecordMoved if the site's record is another by now.
    """
    with writing(engine) as session:
        site = _held(session, site_id)
        if fingerprint(site.record) != on:
            raise RecordMoved("The record was changed by somebody else meanwhile.")
        if is_same(site.record, record):
            return None
        summary = differences(site.record, record).summary()
        number = record_changes.keep(session, site, record, summary=summary, by=by)
        audit.note(session, by, "record.changed", site_id=site_id, number=number, **summary)
    return number


def undo(engine: Engine, site_id: str, number: int, *, by: str) -> None:
    """Put the record from before the change back; RecordMoved if it was changed otherwise since."""
    with writing(engine) as session:
        site = _held(session, site_id)
        if record_changes.undoable(session, site) != number:
            raise RecordMoved("The record was changed otherwise after this change, or it is undone already.")
        record_changes.take_back(session, site, number, by)
        audit.note(session, by, "record.undone", site_id=site_id, number=number)


def redo(engine: Engine, site_id: str, number: int, *, by: str) -> None:
    """Make a change that was undone again; RecordMoved if the record was changed otherwise since."""
    with writing(engine) as session:
        site = _held(session, site_id)
        if record_changes.redoable(session, site) != number:
            raise RecordMoved("The record was changed otherwise since, or the change is made already.")
        record_changes.make_again(session, site, number)
        audit.note(session, by, "record.redone", site_id=site_id, number=number)


def _held(session: Session, site_id: str) -> Site:
    site = sites.held(session, site_id)
    if site is None:
        raise NoSuchSite
    return site
